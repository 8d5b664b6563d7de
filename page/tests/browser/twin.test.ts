// The twin in a browser: what drifts comes first with where to look, is said to be right, and is learned anew; the fitted file goes to the desk.

import type { Browser } from "playwright-core";
import { afterAll, beforeAll, describe, expect, test } from "vitest";
import { PASSWORD, standIn } from "../stand-in.ts";
import { executable, go, launch, logIn, open, violations } from "./browser.ts";

let browser: Browser;

beforeAll(async () => {
  if (executable) browser = await launch();
});
afterAll(async () => browser?.close());

describe.skipIf(!executable)("twin", () => {
  test("a drift is shown with cause and caution, and over once somebody says that it is right", async () => {
    const station = await standIn();
    try {
      const { page, context, complaints } = await open(browser, "phone", "light", station.url);
      await logIn(page, "mara", PASSWORD);
      await go(page, "Twin");
      const drifts = page.getByRole("region", { name: "Drifts" });
      await drifts.getByText("Return flow is 20 % below its twin since Sun 2026-01-18: 1920 L/h instead of 2400 L/h.").waitFor();
      await drifts.getByText("Look at the pump's intake and rotor").waitFor();
      await drifts.getByText("pull the plug").waitFor();
      await page.getByRole("img", { name: "Return flow: 80 values, from 1895 L/h to 2436 L/h" }).waitFor();
      await page.getByRole("img", { name: "Interval from 1.09 to 1.27, the file's value 1.00" }).waitFor();
      expect(await page.getByText("differs", { exact: true }).count()).toBe(1);
      await drifts.getByRole("button", { name: "It is right as it is: Return flow" }).click();
      await page.getByLabel("Why").fill("a smaller pump");
      expect(await violations(page)).toEqual([]);
      await page.getByRole("button", { name: "Learn it anew" }).click();
      await page.getByRole("status").getByText("It is learned anew from now on.").waitFor();
      await page.getByText("Return flow is being learned: 0 of 12 samples so far.").waitFor();
      expect(await drifts.count()).toBe(0);
      await page.getByText("One value would change in the file").click();
      await page.getByRole("button", { name: "Put the file with these values on the desk" }).click();
      await page.getByRole("heading", { name: "Design" }).waitFor();
      expect(complaints).toEqual([]);
      await context.close();
    } finally {
      await station.close();
    }
  });
});
