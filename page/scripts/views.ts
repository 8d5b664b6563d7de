// Pictures of every view, phone, tablet and desktop, light and dark, into shots/: to be looked at. Against the stand-in, or a station: URL NAME PASSWORD.
// ONLY=water,log in the environment takes some of them.
import { mkdirSync } from "node:fs";
import { launch, logIn, open, type Size, type Theme, VIEWS } from "../tests/browser/browser.ts";
import { PASSWORD, standIn } from "../tests/stand-in.ts";

const [url, name, password] = process.argv.slice(2);
const only = process.env["ONLY"]?.split(",");
const station = url ? undefined : await standIn();
const at = url ?? station!.url;
const shots = new URL("../shots/", import.meta.url).pathname;
mkdirSync(shots, { recursive: true });
const browser = await launch();
for (const size of ["phone", "tablet", "desktop"] as Size[]) {
  for (const theme of ["light", "dark"] as Theme[]) {
    const { page, context, complaints } = await open(browser, size, theme, at);
    await page.screenshot({ path: `${shots}log-in-${size}-${theme}.png` });
    await logIn(page, name ?? "mara", password ?? PASSWORD);
    for (const view of VIEWS.filter((one) => only?.includes(one.name) ?? true)) {
      await page.goto(at + view.path);
      await page.waitForSelector(view.ready);
      await page.waitForTimeout(300);
      await page.screenshot({ path: `${shots}${view.name}-${size}-${theme}.png`, fullPage: true });
    }
    if (complaints.length > 0) console.error(complaints);
    await page.goto(`${at}/hand`);
    await page.getByRole("button", { name: /^Hand: / }).first().click();
    await page.screenshot({ path: `${shots}hand-ask-${size}-${theme}.png` });
    await page.goto(`${at}/account`);
    await page.getByRole("button", { name: "Log out" }).click();
    await page.getByRole("heading", { name: "Log in" }).waitFor();
    await context.close();
  }
}
await browser.close();
await station?.close();
