// The built page against a real station with Harbour Lane on the board in software: log in, hand, acknowledge, as the board answers. TIDEWRIGHT names the
// program; without it this is left out.

import { type ChildProcess, spawn } from "node:child_process";
import { mkdtempSync, readFileSync, rmSync } from "node:fs";
import { tmpdir } from "node:os";
import { join } from "node:path";
import type { Browser, Page } from "playwright-core";
import { afterAll, beforeAll, describe, expect, test } from "vitest";
import { executable, go, launch, logIn, open, VIEWS } from "./browser.ts";

const program = process.env["TIDEWRIGHT"];
const system = new URL("../../../examples/harbour-lane/system.toml", import.meta.url).pathname;
/** Times as fast as life. */
const SPEED = 20;
const PASSWORD = "a tank of many corals";

let browser: Browser;
let station: ChildProcess;
let data: string;
let url: string;
let codeFile: string;

/** Waits for a line that the station says. */
function line(of: ChildProcess, wanted: RegExp): Promise<string> {
  return new Promise((done, fail) => {
    let said = "";
    of.stdout?.on("data", (piece: Buffer) => {
      said += piece.toString();
      const found = wanted.exec(said)?.[0];
      if (found) done(found);
    });
    of.on("exit", (code) => fail(new Error(`the station ended with ${code}: ${said}`)));
  });
}

async function toHand(page: Page): Promise<void> {
  await page.getByRole("link", { name: "Hand", exact: true }).click();
  await page.getByRole("heading", { name: "What is driven" }).waitFor();
}

describe.skipIf(!executable || !program)("the page and the station", () => {
  beforeAll(async () => {
    data = mkdtempSync(join(tmpdir(), "tidewright-page-"));
    // Twenty minutes of the board's time pass within a minute, and a hand lasts long enough to be seen.
    station = spawn(program ?? "", ["serve", system, "--data", data, "--port", "0", "--speed", String(SPEED)], { stdio: ["ignore", "pipe", "inherit"] });
    const said = await line(station, /http:\/\/localhost:\d+[^]*stands in .*\n/);
    url = /http:\/\/localhost:\d+/.exec(said)?.[0] ?? "";
    codeFile = /stands in (.*)\n/.exec(said)?.[1] ?? "";
    browser = await launch();
  });
  afterAll(async () => {
    await browser?.close();
    station?.kill("SIGTERM");
    await new Promise((done) => (station.exitCode === null ? station.on("exit", done) : done(undefined)));
    rmSync(data, { recursive: true, force: true });
  });

  test("the first owner, every view, a hand as the board answers it, the audit trail, log out and in", async () => {
    const { page, context, complaints } = await open(browser, "phone", "light", url);
    const code = readFileSync(codeFile, "utf8").trim();
    await page.getByLabel("Code that the station printed").fill(code);
    await page.getByLabel("Name").fill("mara");
    await page.getByLabel("New password").fill(PASSWORD);
    await page.getByRole("button", { name: "Make the first owner" }).click();
    await page.getByRole("heading", { name: "What needs attention" }).waitFor();
    for (const view of VIEWS) {
      await page.goto(url + view.path);
      // A board that has just been met was not studied yet.
      await page.waitForSelector(view.name === "faults" ? "main select" : view.ready);
    }

    await toHand(page);
    const row = page.locator('[data-drive="skimmer"]');
    await page.getByRole("button", { name: "Hand: Skimmer" }).click();
    await page.getByLabel("Hold it").selectOption("off");
    await page.getByLabel("for").fill("10");
    await page.getByLabel("because").fill("emptying the cup");
    await page.getByRole("button", { name: "Send to the board" }).click();
    await row.getByText("done: the board acknowledged it").waitFor({ timeout: 20_000 });
    await row.getByText("by mara, because emptying the cup").waitFor({ timeout: 20_000 });
    expect(await row.locator("p").first().textContent()).toContain("at rest, in hand for 10");

    await go(page, "Log");
    await page.getByText("mara: skimmer off for 10 min, because emptying the cup.").waitFor();
    await page.getByRole("textbox", { name: "Note" }).fill("cup emptied");
    await page.getByRole("button", { name: "Write it down" }).click();
    await page.getByText("mara notes: cup emptied.").waitFor();

    // A photo with a place in it comes back as a picture without one.
    const photo = readFileSync(new URL("../../../tests/reference/photos/phone.jpg", import.meta.url));
    expect(photo.includes("PLACE")).toBe(true);
    await page.getByLabel("Add photos").setInputFiles({ name: "phone.jpg", mimeType: "image/jpeg", buffer: photo });
    await page.getByLabel("What photo 1 shows").fill("the cup");
    await page.getByRole("textbox", { name: "Note", exact: true }).fill("cup put back");
    await page.getByRole("button", { name: "Write it down" }).click();
    const small = page.getByRole("img", { name: "the cup." });
    // It lay on its side: 48 by 32 pixels, turned.
    await expect.poll(() => small.evaluate((img: HTMLImageElement) => [img.naturalWidth, img.naturalHeight])).toEqual([32, 48]);
    const kept = await page.evaluate(async () => new TextDecoder("latin1").decode(await (await fetch("/api/v1/photos/1")).arrayBuffer()));
    expect(kept.includes("PLACE")).toBe(false);

    await go(page, "Water");
    await page.getByRole("textbox", { name: /^Alkalinity/ }).fill("7,4");
    await page.getByRole("textbox", { name: /^Calcium/ }).fill("415");
    await page.getByRole("button", { name: "Write it down" }).first().click();
    await page.getByText("In the log: alkalinity 7.4 dKH, calcium 415.").waitFor();
    const dose = page.getByRole("region", { name: "What to dose" });
    await dose.getByRole("button", { name: "Work it out" }).click();
    await dose.getByText("of sodium bicarbonate a day").first().waitFor();

    await go(page, "Calibration");
    await page.getByRole("button", { name: "Calibrate display temp", exact: true }).click();
    await page.getByText(/A reading is judged over|It stands|It still moves/).waitFor({ timeout: 20_000 });
    await page.getByRole("button", { name: "Cancel" }).click();

    await go(page, "Account");
    await page.getByRole("button", { name: "Log out" }).click();
    await page.getByRole("heading", { name: "Log in" }).waitFor();
    await page.getByLabel("Name").fill("mara");
    await page.getByLabel("Password").fill("not this one at all");
    await page.getByRole("button", { name: "Log in" }).click();
    await page.getByText("Name and password do not go together").waitFor();
    await page.getByLabel("Password").fill(PASSWORD);
    await page.getByRole("button", { name: "Log in" }).click();
    await page.getByRole("heading", { name: "Account" }).first().waitFor();
    expect(complaints).toEqual([]);
    await context.close();
  });

  test("a float is dragged on the section and its finding shows; the change is taken back", async () => {
    const { page, context, complaints } = await open(browser, "desktop", "light", url);
    await logIn(page, "mara", PASSWORD);
    await go(page, "Design");
    await page.getByRole("button", { name: /^Open Harbour Lane/ }).click();
    const slider = page.getByRole("slider", { name: "Float c low: high" });
    await slider.waitFor();
    const grip = (await page.locator('[data-handle="sensor.float_c_low.high"] .grip').boundingBox())!;
    await page.mouse.move(grip.x + grip.width / 2, grip.y + grip.height / 2);
    await page.mouse.down();
    // Above the float that cuts the top-off.
    await page.mouse.move(grip.x + grip.width / 2, grip.y - 45, { steps: 10 });
    await page.getByText("top-off-float-above-cut").waitFor();
    await page.mouse.up();
    await page.getByText("one change.").waitFor();
    expect(Number(/\d+/.exec((await slider.getAttribute("aria-valuetext")) ?? "")?.[0])).toBeGreaterThan(215);
    await page.keyboard.press("Control+z");
    await page.getByText("as it was opened").waitFor();
    await expect.poll(() => page.locator(".findings .error, .findings .warning").count()).toBe(0);
    expect(complaints).toEqual([]);
    await context.close();
  });

  test("a fault is picked as soon as its row stands, its run is watched, and what acted is named", async () => {
    const { page, context, complaints } = await open(browser, "desktop", "light", url);
    await logIn(page, "mara", PASSWORD);
    await go(page, "Faults");
    await page.getByLabel("at the corners too").uncheck();
    await page.getByRole("button", { name: /^Study/ }).click();
    await page.locator(".matrix td").first().waitFor({ timeout: 240_000 });
    // One thing is worked out at a time; rows that stand can be watched.
    await page.getByRole("button", { name: "Stop", exact: true }).click();
    await page.locator(".matrix td").first().click();
    await page.getByRole("slider", { name: "Time since the fault" }).waitFor({ timeout: 240_000 });
    await page.locator(".acts .of-fault").waitFor();
    const moment = () => page.locator(".moment").textContent();
    const before = await moment();
    await page.getByRole("button", { name: "▶ Play" }).click();
    await expect.poll(moment).not.toBe(before);
    expect(complaints).toEqual([]);
    await context.close();
  });

  test("an alarm is acknowledged with a name", async () => {
    const { page, context } = await open(browser, "phone", "light", `${url}/alarms`);
    await page.getByLabel("Name").fill("mara");
    await page.getByLabel("Password").fill(PASSWORD);
    await page.getByRole("button", { name: "Log in" }).click();
    // No return for 20 minutes of the board's time raises "no flow in the return"; the hand that stops it is the cause.
    await toHand(page);
    await page.getByRole("button", { name: "Hand: Return pump" }).click();
    await page.getByLabel("Hold it").selectOption("off");
    await page.getByLabel("for").fill("40");
    await page.getByLabel("because").fill("to see the alarm");
    await page.getByRole("button", { name: "Send to the board" }).click();
    await page.locator('[data-drive="return_pump"]').getByText("done: the board acknowledged it").waitFor({ timeout: 20_000 });
    await page.getByRole("link", { name: "Alarms" }).click();
    await page.getByRole("button", { name: "Acknowledge" }).first().click({ timeout: 120_000 });
    await page.getByText("Acknowledged by mara.").first().waitFor();
    await context.close();
  });
});
