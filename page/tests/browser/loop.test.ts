// The whole loop by page: a rule is edited as a draft, compared, sent with a reason, not confirmed and gone back by itself; sent again, kept, and rolled back
// with one click. The board is the real firmware image on a simulated chip, behind a line that the station opens. TIDEWRIGHT names the program, CHIP_BOARD the
// board (firmware/bench, example chip_board); without either, or where this machine cannot simulate the chip, this is left out.

import { type ChildProcess, spawn } from "node:child_process";
import { mkdtempSync, readFileSync, rmSync, writeFileSync } from "node:fs";
import { tmpdir } from "node:os";
import { join } from "node:path";
import type { Browser, Page } from "playwright-core";
import { afterAll, beforeAll, describe, expect, test } from "vitest";
import { executable, go, launch, open } from "./browser.ts";

const program = process.env["TIDEWRIGHT"];
const chipBoard = process.env["CHIP_BOARD"];
const text = readFileSync(new URL("../../../tests/systems/quarantine.toml", import.meta.url), "utf8");
/** Without the trip by the second probe nothing holds the heater whose own probe has fallen out. */
const bolder = text.replace('trip = "second_temp > 27 degC"\n', "").replace('trip_reset = "3 per day below 26 degC"\n', "");
const FALLEN = "water_temp:fallen-out";
/** Times as fast as life, where the machine is fast enough. */
const SPEED = "8";
const PASSWORD = "a tank of many corals";
/** What a busy machine may take. */
const LONG = { timeout: 180_000 };

let browser: Browser | undefined;
let board: ChildProcess | undefined;
let station: ChildProcess | undefined;
let folder: string;
let url = "";
let line: string | undefined;

/** Waits for what a process says; nothing where it ended before. */
function heard(of: ChildProcess, wanted: RegExp): Promise<RegExpExecArray | undefined> {
  return new Promise((done) => {
    let said = "";
    of.stdout?.on("data", (piece: Buffer) => {
      said += piece.toString();
      const found = wanted.exec(said);
      if (found) done(found);
    });
    of.on("exit", () => done(undefined));
  });
}

/** What the board runs, as the page says it. */
async function runs(page: Page, what: string): Promise<void> {
  await page.locator("section[aria-labelledby=running]").getByText(what).waitFor(LONG);
}

describe.skipIf(!executable || !program || !chipBoard)("the whole loop by page", () => {
  beforeAll(async () => {
    folder = mkdtempSync(join(tmpdir(), "tidewright-loop-"));
    writeFileSync(join(folder, "system.toml"), text);
    board = spawn(chipBoard ?? "", [join(folder, "system.toml"), SPEED], { stdio: ["pipe", "pipe", "inherit"] });
    line = (await heard(board, /line: (.*)\n/))?.[1];
    if (!line) return;
    const file = `[station]\nname = "Quarantine"\ndata = "data"\n\n[[board]]\nname = "tank"\nsystem = "system.toml"\nline = "serial:${line}"\n`;
    writeFileSync(join(folder, "station.toml"), file);
    station = spawn(program ?? "", ["serve", join(folder, "station.toml"), "--port", "0"], { stdio: ["ignore", "pipe", "inherit"] });
    url = (await heard(station, /(http:\/\/localhost:\d+)[^]*stands in .*\n/))?.[1] ?? "";
    browser = await launch();
  });
  afterAll(async () => {
    await browser?.close();
    station?.kill("SIGTERM");
    await new Promise((done) => (station && station.exitCode === null ? station.on("exit", done) : done(undefined)));
    board?.stdin?.end();
    rmSync(folder, { recursive: true, force: true });
  });

  test("edited, compared, tried, not confirmed, gone back; tried again, kept, rolled back", async ({ skip }) => {
    if (!line || !browser) return skip("this machine has no simulated chip");
    const { page, context } = await open(browser, "desktop", "light", url);
    await page.getByLabel("Code that the station printed").fill(readFileSync(join(folder, "data/first-owner-code"), "utf8").trim());
    await page.getByLabel("Name").fill("mara");
    await page.getByLabel("New password").fill(PASSWORD);
    await page.getByRole("button", { name: "Make the first owner" }).click();
    await page.getByRole("heading", { name: "What needs attention" }).waitFor();

    // The rule is edited as a text on the desk and saved as a draft.
    const saved = await page.evaluate(
      (text) => fetch("/api/v1/drafts/bolder", { method: "PUT", headers: { "content-type": "application/json" }, body: JSON.stringify({ text }) }).then((answer) => answer.status),
      bolder,
    );
    expect(saved).toBe(200);
    await go(page, "Revisions");
    await runs(page, "Revision 1, as it was flashed.");

    // Compared: a row gets worse, and wants its reason before anything is sent.
    await page.getByRole("button", { name: "Try a draft …" }).click();
    await page.getByLabel("On trial for").fill("1");
    await page.getByLabel("Why", { exact: true }).fill("the trip is a nuisance");
    await page.getByRole("button", { name: "Compare with what runs" }).click();
    await page.getByText("One row of the FMEA gets worse, 2 better.").waitFor(LONG);
    await page.locator(`dialog [data-row="${FALLEN}"]`).getByText(/breaks `?hot`? after/).first().waitFor();
    await page.getByLabel(`Why ${FALLEN} may get worse`).fill("somebody sits beside it until Friday");
    await page.getByRole("button", { name: "Send to the board" }).click();
    await runs(page, "Revision 2, on trial.");
    await page.locator('[data-revision="2"]').getByText("Because: somebody sits beside it until Friday (mara).").waitFor();

    // Nobody keeps it: it goes back by itself.
    await runs(page, "Revision 1, as it was flashed.");

    // Again, and kept. Its reason stands and is not asked again.
    await page.getByRole("button", { name: "Back to revision 2 …" }).click();
    await page.getByLabel("On trial for").fill("240");
    await page.getByLabel("Why", { exact: true }).fill("now in earnest");
    await page.getByRole("button", { name: "Compare with what runs" }).click();
    await runs(page, "Revision 2, on trial.");
    await page.getByRole("button", { name: "Keep what is tried" }).click();
    await page.getByLabel("Why", { exact: true }).fill("it ran a night without a trip");
    await page.getByRole("button", { name: "Keep it" }).click();
    await runs(page, "Revision 2, confirmed.");

    // One click back; nothing is compared first.
    await page.getByRole("button", { name: "Back to revision 1 …" }).click();
    await page.getByLabel("Why", { exact: true }).fill("Friday has come");
    await page.getByRole("button", { name: "Send to the board" }).click();
    await runs(page, "Revision 1, on trial.");
    await page.getByRole("button", { name: "Keep what is tried" }).click();
    await page.getByLabel("Why", { exact: true }).fill("as it was");
    await page.getByRole("button", { name: "Keep it" }).click();
    await runs(page, "Revision 1, confirmed.");
    await page.locator('[data-revision="1"]').getByText("Sent as a way back").waitFor();
    await context.close();
  }, 600_000);
});
