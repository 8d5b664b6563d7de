// Wiring and program in a browser: every wire in a drawing and a list, every rule with its bytes.

import type { Browser, Page } from "playwright-core";
import { afterAll, beforeAll, describe, expect, test } from "vitest";
import { PASSWORD, standIn } from "../stand-in.ts";
import { executable, go, launch, logIn, open, type Size } from "./browser.ts";

let browser: Browser;

beforeAll(async () => {
  if (executable) browser = await launch();
});
afterAll(async () => browser?.close());

async function at(size: Size, view: string, act: (page: Page) => Promise<void>): Promise<void> {
  const station = await standIn();
  try {
    const { page, context, complaints } = await open(browser, size, "light", station.url);
    await logIn(page, "mara", PASSWORD);
    await go(page, view);
    await act(page);
    expect(complaints).toEqual([]);
    await context.close();
  } finally {
    await station.close();
  }
}

describe.skipIf(!executable)("wiring and program", () => {
  test("the drawing is shown as an image under the strict policy; wires are found by any word", () =>
    at("desktop", "Wiring", async (page) => {
      const image = page.locator(".picture img");
      await image.waitFor();
      expect(await image.evaluate((element: HTMLImageElement) => element.naturalWidth)).toBeGreaterThan(0);
      await page.getByText("an RCD (GFCI)").first().waitFor();
      await page.getByLabel("only mains").check();
      await page.getByText("1 of 2 wires.").waitFor();
      expect(await page.getByRole("rowheader").allTextContents()).toEqual(["W1"]);
    }));

  test("every rule as the file writes it, with its bytes", () =>
    at("phone", "Program", async (page) => {
      await page.getByText("318 of 320 bytes that a trial may have.").waitFor();
      await page.getByText('stop = "display_temp > 25.3 degC"').waitFor();
    }));
});
