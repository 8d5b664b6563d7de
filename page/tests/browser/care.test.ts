// Care in a browser: a proof test is walked through beside the live values and written down.

import type { Browser } from "playwright-core";
import { afterAll, beforeAll, describe, expect, test } from "vitest";
import { PASSWORD, standIn } from "../stand-in.ts";
import { executable, go, launch, logIn, open, violations } from "./browser.ts";

let browser: Browser;

beforeAll(async () => {
  if (executable) browser = await launch();
});
afterAll(async () => browser?.close());

describe.skipIf(!executable)("care", () => {
  test("a proof test: what the board shows is marked as seen, passed is written down with who", async () => {
    const station = await standIn();
    try {
      const { page, context, complaints } = await open(browser, "phone", "light", station.url);
      await logIn(page, "mara", PASSWORD);
      await go(page, "Care");
      await page.getByRole("heading", { name: "Overdue (1)" }).waitFor();
      await page.getByRole("button", { name: "Do it: float c high" }).click();
      // The float is down, as the step wants it.
      await page.getByText("✓ seen").waitFor();
      expect(await page.getByText("✓ seen").count()).toBe(1);
      expect(await violations(page)).toEqual([]);
      await page.getByLabel("Remark").fill("slimy, cleaned");
      await page.getByRole("button", { name: "Write down: passed" }).click();
      await page.getByText("What the board's records showed: Float c high became yes after 4 s.").waitFor();
      await page.getByRole("button", { name: "Close" }).click();
      await page.getByText("slimy, cleaned").waitFor();
      expect(complaints).toEqual([]);
      await context.close();
    } finally {
      await station.close();
    }
  });
});
