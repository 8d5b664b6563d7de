// Trends in a browser: moved, zoomed, written on and saved as it is seen.

import { readFileSync } from "node:fs";
import type { Browser, Page } from "playwright-core";
import { afterAll, beforeAll, describe, expect, test } from "vitest";
import { PASSWORD, standIn } from "../stand-in.ts";
import { executable, go, launch, logIn, open } from "./browser.ts";

let browser: Browser;

beforeAll(async () => {
  if (executable) browser = await launch();
});
afterAll(async () => browser?.close());

async function trends(act: (page: Page) => Promise<void>): Promise<void> {
  const station = await standIn();
  try {
    const { page, context, complaints } = await open(browser, "desktop", "light", station.url);
    await logIn(page, "mara", PASSWORD);
    await go(page, "Trends");
    await page.waitForSelector(".plot canvas");
    await act(page);
    expect(complaints).toEqual([]);
    await context.close();
  } finally {
    await station.close();
  }
}

/** Length of what is shown once it rests, ms. */
async function length(page: Page): Promise<number> {
  await page.waitForTimeout(400);
  const ask = new URL(page.url()).searchParams;
  return Number(ask.get("to")) - Number(ask.get("from"));
}
const from = async (page: Page) => {
  await page.waitForTimeout(400);
  return Number(new URL(page.url()).searchParams.get("from"));
};
const DAY = 86_400_000;

describe.skipIf(!executable)("trends", () => {
  test("are zoomed by wheel and keys, moved by dragging, and a range is picked with Shift", () =>
    trends(async (page) => {
      expect(await length(page)).toBe(DAY);
      const plot = page.locator(".plot .canvas").first();
      await plot.focus();
      await page.keyboard.press("+");
      expect(await length(page)).toBeCloseTo(DAY / 1.4, -2);
      const over = (await page.locator(".u-over").first().boundingBox())!;
      await page.mouse.move(over.x + over.width / 2, over.y + 50);
      await page.mouse.wheel(0, -300);
      expect(await length(page)).toBeLessThan(DAY / 2);
      const before = await from(page);
      await page.mouse.down();
      await page.mouse.move(over.x + over.width / 2 + 200, over.y + 50, { steps: 5 });
      await page.mouse.up();
      expect(await from(page)).toBeLessThan(before);
      const now = await length(page);
      await page.keyboard.down("Shift");
      await page.mouse.move(over.x + 100, over.y + 50);
      await page.mouse.down();
      await page.mouse.move(over.x + 100 + over.width / 4, over.y + 50, { steps: 5 });
      await page.mouse.up();
      await page.keyboard.up("Shift");
      const picked = await length(page);
      expect(Math.abs(picked / now - 0.25)).toBeLessThan(0.03);
    }));

  test("a moment is marked by a tap, and a note to it stands on the axis and in the list", () =>
    trends(async (page) => {
      const over = (await page.locator(".u-over").first().boundingBox())!;
      await page.mouse.click(over.x + over.width / 4, over.y + 50);
      await page.getByText("Add a note to a time").click();
      await page.getByRole("textbox", { name: "Note" }).fill("skimmer cleaned");
      await page.getByRole("button", { name: "Write it down" }).click();
      await page.getByText("mara notes: skimmer cleaned.").waitFor();
      await page.getByText("Topoff pump tripped on its longest run.").waitFor();
    }));

  test("the day before lies behind in thin ink, flows stand in L/h", () =>
    trends(async (page) => {
      await page.getByRole("button", { name: "The day before" }).click();
      await page.getByText("Thin: a day before.").waitFor();
      await page.getByText("Pick series").click();
      await page.getByLabel("Return flow").check();
      await page.getByText(/Return flow: lowest .*\sL\/h/).waitFor();
    }));

  test("what the twin expects lies beside; of what it knows nothing it says so", () =>
    trends(async (page) => {
      await page.getByText("Pick series").click();
      await page.getByLabel("Return flow").check();
      await page.getByRole("button", { name: "What the twin expects" }).click();
      await page.getByText("Return flow: The twin knows no such signal.").waitFor();
      await page.getByText("what the twin expects of a day without a fault").waitFor();
    }));

  test("what is seen is saved as a picture", () =>
    trends(async (page) => {
      const waits = page.waitForEvent("download");
      await page.getByRole("button", { name: "Save as PNG" }).click();
      const file = await waits;
      expect(file.suggestedFilename()).toMatch(/^trends-\d{4}-\d\d-\d\dT\d{4}\.png$/);
      const bytes = readFileSync(await file.path());
      // PNG, third edition (W3C 2025), 5.2: the signature.
      expect([...bytes.subarray(0, 8)]).toEqual([137, 80, 78, 71, 13, 10, 26, 10]);
      expect(bytes.readUInt32BE(16)).toBeGreaterThan(900);
    }));
});

describe.skipIf(!executable)("trends on a phone", () => {
  test("the plot is what is seen first; what chooses stands behind one button", async () => {
    const station = await standIn();
    try {
      const { page, context } = await open(browser, "phone", "light", station.url);
      await logIn(page, "mara", PASSWORD);
      await go(page, "Trends");
      const plot = page.locator(".plot canvas").first();
      await plot.waitFor();
      // Its top in the first half of the screen.
      expect((await plot.boundingBox())!.y).toBeLessThan(370);
      const week = page.getByRole("button", { name: "1 week" });
      expect(await week.isVisible()).toBe(false);
      await page.getByRole("button", { name: "range and series" }).click();
      await week.click();
      expect(await length(page)).toBe(7 * DAY);
      await context.close();
    } finally {
      await station.close();
    }
  });
});
