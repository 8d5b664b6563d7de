// The built page in a browser, against the stand-in: every view at every size, what a person does, what fails.

import type { Browser } from "playwright-core";
import { afterAll, beforeAll, describe, expect, test } from "vitest";
import { PASSWORD, type StandIn, standIn } from "../stand-in.ts";
import { executable, go, launch, logIn, open, type Size, SIZES, type Theme, VIEWS, violations } from "./browser.ts";

let browser: Browser;
let station: StandIn;

beforeAll(async () => {
  browser = await launch();
});
afterAll(async () => browser?.close());

async function each(act: () => Promise<void>): Promise<void> {
  station = await standIn();
  try {
    await act();
  } finally {
    await station.close();
  }
}

describe.skipIf(!executable)("the page", () => {
  for (const theme of ["light", "dark"] as Theme[]) {
    for (const size of Object.keys(SIZES) as Size[]) {
      test(`every view, ${size}, ${theme}: nothing for axe, no horizontal scroll, nothing against the policy`, () =>
        each(async () => {
          const { page, context, complaints } = await open(browser, size, theme, station.url);
          await page.getByRole("heading", { name: "Log in" }).waitFor();
          expect(await violations(page)).toEqual([]);
          await logIn(page, "mara", PASSWORD);
          for (const view of VIEWS) {
            await page.goto(station.url + view.path);
            await page.waitForSelector(view.ready);
            expect(await violations(page), view.name).toEqual([]);
            const over = await page.evaluate(() => document.documentElement.scrollWidth - innerWidth);
            expect(over, `${view.name} is too wide`).toBeLessThanOrEqual(0);
          }
          await page.goto(`${station.url}/hand`);
          await page.getByRole("button", { name: "Hand: Return pump" }).click();
          expect(await violations(page), "the dialog").toEqual([]);
          expect(complaints).toEqual([]);
          await context.close();
        }));
    }
  }

  test("a log-in that is wrong says so in words, a right one leads on", () =>
    each(async () => {
      const { page, context } = await open(browser, "phone", "light", station.url);
      await page.getByLabel("Name").fill("mara");
      await page.getByLabel("Password").fill("not this one");
      await page.getByRole("button", { name: "Log in" }).click();
      await page.getByText("Name and password do not go together").waitFor();
      await logIn(page, "mara", PASSWORD);
      await context.close();
    }));

  test("a draft that makes a row worse is compared first, and sent with a reason; what was sent in an emergency is explained afterwards", () =>
    each(async () => {
      const { page, context, complaints } = await open(browser, "phone", "light", station.url);
      await logIn(page, "mara", PASSWORD);
      await page.evaluate(() => fetch("/api/v1/drafts/bolder", { method: "PUT", headers: { "content-type": "application/json" }, body: JSON.stringify({ text: "x" }) }));
      await go(page, "Revisions");
      const second = page.locator('[data-revision="2"]');
      await second.getByText("Sent before it was compared.").waitFor();
      await second.getByText("Without a reason.").waitFor();
      await second.getByRole("button", { name: "Say why …" }).click();
      await page.getByLabel("Why heater_sump:welded may get worse").fill("its own dial holds it at 27");
      await page.getByRole("button", { name: "Keep the reasons" }).click();
      await second.getByText("Because: its own dial holds it at 27 (mara).").waitFor();

      await page.getByRole("button", { name: "Try a draft …" }).click();
      await page.getByLabel("Why", { exact: true }).fill("the trip is a nuisance");
      await page.getByRole("button", { name: "Compare with what runs" }).click();
      await page.getByText("One row of the FMEA gets worse, 2 better. Each wants a reason of its own.").waitFor();
      await page.getByText("breaks hot after 5.3 h; before: holds.").first().waitFor();
      expect(await violations(page)).toEqual([]);
      await page.getByLabel("Why heater_sump:welded may get worse").fill("somebody sits beside it");
      await page.getByRole("button", { name: "Send to the board" }).click();
      await page.getByText("Revision 3, on trial.").waitFor();
      await page.locator('[data-revision="3"]').getByText("Because: somebody sits beside it (mara).").waitFor();
      expect(complaints).toEqual([]);
      await context.close();
    }));

  test("a pump's flow is reckoned from catches, compared and sent", () =>
    each(async () => {
      const { page, context, complaints } = await open(browser, "phone", "light", station.url);
      await logIn(page, "mara", PASSWORD);
      await go(page, "Revisions");
      await page.getByRole("button", { name: "A pump's flow …" }).click();
      await page.getByLabel("Catch 1, mL").fill("284.5");
      await page.getByLabel("Why", { exact: true }).fill("new tube");
      await page.getByRole("button", { name: "Reckon, compare and send" }).click();
      await page.getByText("28.45 ± 0.14 mL/min; by the file 30.00 mL/min.").waitFor();
      await page.getByLabel("Why heater_sump:welded may get worse").fill("its own dial holds it");
      expect(await violations(page)).toEqual([]);
      await page.getByRole("button", { name: "Send to the board" }).click();
      await page.getByText("it starts anew and tries it").waitFor();
      expect(complaints).toEqual([]);
      await context.close();
    }));

  test("an old revision goes on trial, and is kept once somebody has seen it", () =>
    each(async () => {
      const { page, context } = await open(browser, "phone", "light", station.url);
      await logIn(page, "mara", PASSWORD);
      await go(page, "Revisions");
      await page.getByText("Revision 2, confirmed.").waitFor();
      await page.getByRole("button", { name: "Back to revision 1 …" }).click();
      await page.getByLabel("Why").fill("the old one was better");
      await page.getByRole("button", { name: "Send to the board" }).click();
      await page.getByText("Revision 1, on trial. Unless somebody keeps it, the board goes back by itself at").waitFor();
      await page.getByRole("button", { name: "Keep what is tried" }).click();
      await page.getByLabel("Why").fill("saw the heater switch");
      await page.getByRole("button", { name: "Keep it" }).click();
      await page.getByText("Revision 1, confirmed.").waitFor();
      await context.close();
    }));

  test("a hand is pending until the board acknowledges it; refused and not done are said as that", () =>
    each(async () => {
      const { page, context } = await open(browser, "phone", "light", station.url);
      await logIn(page, "mara", PASSWORD);
      await page.getByRole("link", { name: "Hand", exact: true }).click();
      const hand = async (name: string) => {
        await page.getByRole("button", { name: `Hand: ${name}` }).click();
        await page.getByLabel("because").fill("cleaning it");
        await page.getByRole("button", { name: "Send to the board" }).click();
      };
      const row = (name: string) => page.locator(`[data-drive="${name}"]`);
      await hand("Return pump");
      await page.getByText("Waiting for the board to acknowledge").waitFor();
      // Until then it goes on as it was.
      expect(await row("return_pump").locator("p").first().textContent()).toContain("running, by its rule");
      await row("return_pump").getByText("done: the board acknowledged it").waitFor();
      await row("return_pump").getByText("at rest, in hand for 20 min more by mara, because cleaning it; ends by itself at").waitFor();
      await hand("Topoff pump");
      await row("topoff_pump").getByText("Refused by the board. Topoff pump has tripped by longest run and stays off until it is reset.").waitFor();
      await hand("Light");
      await row("light").getByText("Not done: the board gave no answer").waitFor();
      expect(await row("light").locator("p").first().textContent()).toContain("lit, by its rule");
      await context.close();
    }));

  test("an alarm is acknowledged with a name, and shelved with an end and a reason", () =>
    each(async () => {
      const { page, context } = await open(browser, "phone", "light", station.url);
      await logIn(page, "mara", PASSWORD);
      await page.getByRole("link", { name: "Alarms" }).click();
      await page.getByRole("button", { name: "Acknowledge" }).click();
      await page.getByText("Acknowledged by mara.").first().waitFor();
      await page.getByRole("button", { name: "Shelve …" }).first().click();
      await page.getByRole("button", { name: "Shelve it" }).click();
      // Without a reason it does not go out.
      expect(await page.locator("dialog").isVisible()).toBe(true);
      await page.locator("dialog").getByLabel("Why").fill("new probe comes on Monday");
      await page.getByRole("button", { name: "Shelve it" }).click();
      await page.getByText("mara: new probe comes on Monday.").waitFor();
      await context.close();
    }));

  test("make safe says the outcome of every step", () =>
    each(async () => {
      const { page, context } = await open(browser, "phone", "dark", `${station.url}/night`);
      await page.getByLabel("Name").fill("mara");
      await page.getByLabel("Password").fill(PASSWORD);
      await page.getByRole("button", { name: "Log in" }).click();
      await page.getByRole("button", { name: "Make safe" }).click();
      await page.getByLabel("Why").fill("water on the floor");
      await page.getByRole("button", { name: "Make it safe now" }).click();
      await page.getByText("Every step was acknowledged by the board.").waitFor();
      expect(await page.locator(".outcome").count()).toBe(3);
      await context.close();
    }));

  test("a lost line, a silent board: said as that, and over by itself", () =>
    each(async () => {
      const { page, context } = await open(browser, "phone", "light", station.url);
      await logIn(page, "mara", PASSWORD);
      station.cut(true);
      await page.getByText("No connection to the station since").waitFor();
      await page.getByText(/Next try in|Trying again now/).waitFor();
      station.cut(false);
      await page.getByText("No connection to the station since").waitFor({ state: "detached", timeout: 15_000 });
      station.silence(true);
      await page.getByText("Board tank has told nothing for 5\u00a0min").waitFor();
      station.silence(false);
      await page.getByText("Board tank has told nothing").waitFor({ state: "detached" });
      await context.close();
    }));

  test("by keyboard alone: to a view, into a dialog, out of it, and back where it was", () =>
    each(async () => {
      const { page, context } = await open(browser, "desktop", "light", station.url);
      await logIn(page, "mara", PASSWORD);
      await page.getByRole("link", { name: "Hand", exact: true }).focus();
      await page.keyboard.press("Enter");
      await page.getByRole("heading", { name: "Hand and procedures" }).waitFor();
      await page.waitForFunction(() => document.activeElement?.tagName === "H1");
      const button = page.getByRole("button", { name: "Hand: Return pump" });
      await button.focus();
      await page.keyboard.press("Enter");
      await page.locator("dialog").waitFor();
      await page.keyboard.press("Escape");
      await page.locator("dialog").waitFor({ state: "detached" });
      expect(await button.evaluate((element) => element === document.activeElement)).toBe(true);
      await context.close();
    }));

  test("trends: a table beside the drawing, units by setting, the address keeps what is shown", () =>
    each(async () => {
      const { page, context } = await open(browser, "desktop", "light", station.url);
      await logIn(page, "mara", PASSWORD);
      await go(page, "Trends");
      await page.getByRole("img", { name: /Display temp: lowest 25\.\d\d\s°C.* One gap of/ }).waitFor();
      await page.getByRole("button", { name: "As a table" }).click();
      await page.getByRole("cell", { name: "no data" }).first().waitFor();
      expect(page.url()).toMatch(/\/trends\?s=1&from=\d+&to=\d+$/);
      await go(page, "Account");
      await page.getByLabel("Units").selectOption("us");
      await page.goBack();
      await page.getByText(/Display temp: lowest 77\.\d\d\s°F/).waitFor();
      await context.close();
    }));

  test("one-time codes begin with a picture for the app, and without an owner the station asks for its code", () =>
    each(async () => {
      const { page, context, complaints } = await open(browser, "phone", "light", station.url);
      await logIn(page, "mara", PASSWORD);
      await go(page, "Account");
      const codes = page.getByRole("region", { name: "One-time codes" });
      await codes.getByLabel("Password now").fill(PASSWORD);
      await codes.getByRole("button").click();
      await page.getByRole("img", { name: "The secret as a QR code" }).waitFor();
      await page.getByText("GEZD GNBV GY3T QOJQ").waitFor();
      expect(complaints).toEqual([]);
      await context.close();
      await station.close();
      station = await standIn({ hasOwner: false });
      const first = await open(browser, "phone", "light", station.url);
      await first.page.getByLabel("Code that the station printed").fill("ABCD-EFGH");
      await first.page.getByLabel("Name").fill("ines");
      await first.page.getByLabel("New password").fill(PASSWORD);
      await first.page.getByRole("button", { name: "Make the first owner" }).click();
      await first.page.getByRole("heading", { name: "What needs attention" }).waitFor();
      await first.context.close();
    }));
});
