// The matrix of faults in a browser: studied row by row, sorted, watched on the section, mended; printed.

import { execFileSync } from "node:child_process";
import { mkdtempSync, rmSync } from "node:fs";
import { tmpdir } from "node:os";
import { join } from "node:path";
import type { Browser, Page } from "playwright-core";
import { afterAll, beforeAll, describe, expect, test } from "vitest";
import { PASSWORD, standIn } from "../stand-in.ts";
import { executable, go, launch, logIn, open, type Size, violations } from "./browser.ts";

let browser: Browser;

beforeAll(async () => {
  if (executable) browser = await launch();
});
afterAll(async () => browser?.close());

async function faults(size: Size, act: (page: Page) => Promise<void>): Promise<void> {
  const station = await standIn();
  try {
    const { page, context, complaints } = await open(browser, size, size === "phone" ? "dark" : "light", station.url);
    await logIn(page, "mara", PASSWORD);
    await go(page, "Faults");
    await page.getByRole("heading", { name: "Faults of Harbour Lane" }).waitFor();
    await act(page);
    expect(complaints).toEqual([]);
    await context.close();
  } finally {
    await station.close();
  }
}

describe.skipIf(!executable)("faults", () => {
  test("the matrix of what a board runs stands at once; a cell is chosen by keyboard and its run is watched", () =>
    faults("desktop", async (page) => {
      expect(await page.locator(".matrix tbody tr").count()).toBe(4);
      expect(await violations(page)).toEqual([]);
      const first = page.locator('.matrix td[tabindex="0"]');
      await first.focus();
      await page.keyboard.press("ArrowRight");
      await page.keyboard.press("ArrowLeft");
      await page.keyboard.press("Enter");
      await page.getByRole("heading", { name: "Heater display: welded" }).waitFor();
      await page.getByRole("slider", { name: "Time since the fault" }).waitFor();
      await page.getByRole("button", { name: "What acts next" }).click();
      await page.getByRole("button", { name: "What acts next" }).click();
      await page.locator(".said").getByText("Trip: Heat master opened at 27.8 °C").waitFor();
      const top = () => page.locator('[data-part="water.sump_c"] path').last().getAttribute("d");
      const before = await top();
      await page.getByRole("button", { name: "▶ Play" }).first().click();
      await expect.poll(top).not.toBe(before);
      expect(await violations(page)).toEqual([]);
    }));

  test("rows are picked out and sorted; on a phone they are sentences with buttons", () =>
    faults("phone", async (page) => {
      await page.getByText("Break: Heater display welded").waitFor();
      await page.getByLabel("Find").fill("float");
      await page.getByText("1 of 4 faults.").waitFor();
      expect(await violations(page)).toEqual([]);
      const over = await page.evaluate(() => document.documentElement.scrollWidth - innerWidth);
      expect(over).toBeLessThanOrEqual(0);
      await page.getByLabel("Find").fill("");
      await page.getByRole("button", { name: /Heater display welded, hot/i }).click();
      await page.getByRole("button", { name: "▶ Play" }).first().waitFor();
    }));

  test("what would mend it: each that was tried says what it adds and makes worse, and goes to the desk", () =>
    faults("desktop", async (page) => {
      await page.locator(".matrix td.untold").first().click();
      await page.getByRole("button", { name: "Try what would mend it" }).click();
      await page.getByText("2 tried, 1 close it.").waitFor();
      await page.getByText("Adds thermostat, 0 channels, 0 bytes of program, 18 EUR.").waitFor();
      await page.getByText("Makes no other row worse.").waitFor();
      await page.getByRole("button", { name: "Put on the desk: two heaters of 100 W" }).click();
      await page.getByText("A copy of what board tank runs: one change.").waitFor();
      // The verdict of the text on the desk, studied row by row.
      await page.getByRole("button", { name: "Study every fault" }).click();
      await page.getByText("4 faults studied in 1.2").waitFor();
      await page.getByRole("button", { name: "The matrix" }).click();
      await page.getByRole("heading", { name: "Faults of Harbour Lane" }).waitFor();
    }));

  test("the matrix is printed on A4 lengthwise, whatever is on the screen", () =>
    faults("phone", async (page) => {
      await page.evaluate(() => {
        window.print = () => {};
      });
      await page.getByRole("button", { name: "Print the matrix" }).click();
      const folder = mkdtempSync(join(tmpdir(), "tidewright-print-"));
      const path = join(folder, "matrix.pdf");
      await page.pdf({ path, preferCSSPageSize: true });
      const info = execFileSync("sh", ["-c", 'command -v pdfinfo >/dev/null && pdfinfo "$0" && pdftotext "$0" - || echo none', path]).toString();
      rmSync(folder, { recursive: true });
      if (info.startsWith("none")) return;
      // ISO 216: A4 is 297 mm by 210 mm, 841.9 pt by 595.3 pt.
      expect(Number(/Page size:\s+([\d.]+)/.exec(info)?.[1])).toBeCloseTo(841.9, -1);
      expect(info).toContain("Heater display welded");
    }));
});
