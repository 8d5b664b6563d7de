// The browser for tests and pictures: Debian's, found on this machine; nothing is downloaded.

import { existsSync } from "node:fs";
import axe from "axe-core";
import { type Browser, type BrowserContext, chromium, type Page } from "playwright-core";

const PLACES = [process.env["CHROMIUM"] ?? "", "/usr/bin/chromium", "/usr/bin/chromium-browser", "/usr/bin/google-chrome"];
export const executable = PLACES.find((path) => path !== "" && existsSync(path));

export const SIZES = { phone: { width: 360, height: 740 }, tablet: { width: 820, height: 1180 }, desktop: { width: 1440, height: 900 } };
export type Size = keyof typeof SIZES;
export type Theme = "light" | "dark";

export async function launch(): Promise<Browser> {
  if (!executable) throw new Error("no Chromium: apt-get install chromium, or name it in CHROMIUM");
  return chromium.launch({ executablePath: executable, args: ["--no-sandbox"] });
}

/** A page whose complaints are kept: what the content policy refuses shows up there. */
export async function open(browser: Browser, size: Size, theme: Theme, url: string): Promise<{ page: Page; context: BrowserContext; complaints: string[] }> {
  const context = await browser.newContext({ viewport: SIZES[size], colorScheme: theme, reducedMotion: "reduce", timezoneId: "Europe/Berlin" });
  const page = await context.newPage();
  const complaints: string[] = [];
  page.on("console", (message) => {
    if (message.type() === "error" && !/Failed to load resource/.test(message.text())) complaints.push(message.text());
  });
  page.on("pageerror", (error) => complaints.push(String(error)));
  await page.goto(url);
  return { page, context, complaints };
}

/** Logs in, unless somebody is logged in already. */
export async function logIn(page: Page, name: string, password: string): Promise<void> {
  await page.waitForSelector("#password, #attention, input[name=password]");
  if (await page.locator("#attention").isVisible()) return;
  await page.getByLabel("Name").fill(name);
  await page.getByLabel("Password").fill(password);
  await page.getByRole("button", { name: "Log in" }).click();
  await page.getByRole("heading", { name: "What needs attention" }).waitFor();
}

/** Goes to a view by its word, on a phone through the list behind the bar where it is not in the bar. */
export async function go(page: Page, view: string): Promise<void> {
  const link = page.getByRole("navigation").getByRole("link", { name: view, exact: true });
  if (!(await link.isVisible())) await page.getByRole("navigation").getByRole("button").click();
  await link.click();
}

/** Views with something to wait for, so that a picture shows them whole. */
export const VIEWS = [
  { path: "/", name: "now", ready: "svg.sheet" },
  { path: "/night", name: "night", ready: ".night .first" },
  { path: "/trends", name: "trends", ready: ".plot canvas" },
  { path: "/alarms", name: "alarms", ready: "#report" },
  { path: "/hand", name: "hand", ready: "#drives" },
  { path: "/design", name: "design", ready: "#open" },
  { path: "/faults", name: "faults", ready: "#matrix" },
  { path: "/wiring", name: "wiring", ready: ".picture img" },
  { path: "/program", name: "program", ready: ".rules li" },
  { path: "/revisions", name: "revisions", ready: "#revisions" },
  { path: "/joined", name: "joined", ready: "main .calm, main h2" },
  { path: "/care", name: "care", ready: "main h2" },
  { path: "/water", name: "water", ready: "#stands" },
  { path: "/probes", name: "probes", ready: "#pumps" },
  { path: "/twin", name: "twin", ready: ".courses, main .calm" },
  { path: "/log", name: "log", ready: ".log li" },
  { path: "/account", name: "account", ready: "#tokens" },
];

/** What axe finds against WCAG 2.2 A and AA and its best practices. The script is evaluated by the test, not by the page, so its policy stays. */
export async function violations(page: Page): Promise<string[]> {
  await page.evaluate(axe.source);
  const found = await page.evaluate(async () => {
    const { violations } = await (window as unknown as { axe: typeof axe }).axe.run();
    return violations.map(({ id, nodes }) => `${id}: ${nodes.map((node) => node.html.slice(0, 120)).join(" | ")}`);
  });
  return found;
}
