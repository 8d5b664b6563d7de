// The diary in a browser, against the stand-in: photos chosen, shrunk, sent, opened large, taken away; water tests; calibrations.

import type { Browser } from "playwright-core";
import { afterAll, beforeAll, describe, expect, test } from "vitest";
import { PASSWORD, standIn } from "../stand-in.ts";
import { executable, go, launch, logIn, open, violations } from "./browser.ts";

let browser: Browser;

beforeAll(async () => {
  browser = await launch();
});
afterAll(async () => browser?.close());

describe.skipIf(!executable)("photos", () => {
  test("a photo is made small before it goes, stands beside its note, opens large and is taken away", async () => {
    const station = await standIn();
    try {
      const { page, context, complaints } = await open(browser, "phone", "light", station.url);
      await logIn(page, "mara", PASSWORD);
      await go(page, "Log");
      // Drawn by the browser itself: 3000 by 1500 pixels.
      const drawn = await page.evaluate(async () => {
        const canvas = document.createElement("canvas");
        [canvas.width, canvas.height] = [3000, 1500];
        canvas.getContext("2d")!.fillRect(100, 100, 900, 900);
        return canvas.toDataURL("image/jpeg").split(",")[1]!;
      });
      await page.getByLabel("Add photos").setInputFiles({ name: "pump.jpg", mimeType: "image/jpeg", buffer: Buffer.from(drawn, "base64") });
      await page.getByLabel("What photo 1 shows").fill("the new pump");
      expect(await violations(page)).toEqual([]);
      await page.getByLabel("Note", { exact: true }).fill("New return pump");
      await page.getByRole("button", { name: "Write it down" }).click();
      await page.getByText("Written down.").waitFor();
      await page.getByRole("button", { name: "the new pump." }).click();
      const dialog = page.getByRole("dialog");
      await dialog.getByText("the new pump.").waitFor();
      // What went out is what comes back.
      const size = () => dialog.getByRole("img").evaluate((img: HTMLImageElement) => [img.naturalWidth, img.naturalHeight]);
      await expect.poll(size).toEqual([2048, 1024]);
      expect(await violations(page), "the photo, large").toEqual([]);
      expect(await page.evaluate(() => document.documentElement.scrollWidth - innerWidth)).toBeLessThanOrEqual(0);
      await dialog.getByRole("button", { name: "Take away" }).click();
      await dialog.getByText("It is gone for good then").waitFor();
      await dialog.getByRole("button", { name: "Take it away for good" }).click();
      await dialog.waitFor({ state: "detached" });
      await page.getByRole("button", { name: "the new pump." }).waitFor({ state: "detached" });
      // The older note still has its own, also beside the marks of trends.
      await go(page, "Trends");
      await page.getByRole("button", { name: "by the weir." }).click();
      await page.getByRole("dialog").getByRole("button", { name: "Next" }).click();
      await page.getByRole("dialog", { name: "Photo by mara" }).waitFor();
      expect(complaints).toEqual([]);
      await context.close();
    } finally {
      await station.close();
    }
  });

  test("what is no photo is said in words, and the note stands", async () => {
    const station = await standIn();
    try {
      const { page, context } = await open(browser, "desktop", "dark", station.url);
      await logIn(page, "mara", PASSWORD);
      await go(page, "Log");
      await page.getByLabel("Add photos").setInputFiles({ name: "letter.pdf", mimeType: "application/pdf", buffer: Buffer.from("%PDF-1.7") });
      await page.getByRole("button", { name: "Write it down" }).click();
      await page.getByText("The note stands, but letter.pdf was not sent: The photo is not taken: this is no photo").waitFor();
      await page.getByText("mara notes: Photo.").waitFor();
      await context.close();
    } finally {
      await station.close();
    }
  });
});

describe.skipIf(!executable)("water and calibration", () => {
  test("tests are written down in one go, a dose is worked out with its cautions and put into the log, a mistake is voided", async () => {
    const station = await standIn();
    try {
      const { page, context, complaints } = await open(browser, "phone", "light", station.url);
      await logIn(page, "mara", PASSWORD);
      await go(page, "Water");
      await page.getByText("the test does not agree").waitFor();
      await page.getByRole("textbox", { name: /^Alkalinity/ }).fill("8,2");
      await page.getByRole("textbox", { name: /^Calcium/ }).fill("415");
      await page.getByRole("button", { name: "Write it down" }).first().click();
      await page.getByText("In the log: alkalinity 8.2 dKH, calcium 415.").waitFor();
      const dose = page.getByRole("region", { name: "What to dose" });
      await dose.getByRole("button", { name: "Work it out" }).click();
      await dose.getByText("For 2 days, 11.92 g").waitFor();
      await dose.getByText("Never mix an alkalinity solution with a calcium solution").waitFor();
      await dose.getByRole("button", { name: "Given: write 11.92 g into the log" }).click();
      await dose.getByText("In the log: dose sodium bicarbonate 11.92 g.").waitFor();
      const lime = page.getByRole("region", { name: "Limewater" });
      await lime.getByRole("button", { name: "Work it out" }).click();
      await lime.getByText("33 % of the top-off").waitFor();
      await page.getByLabel("How much L").fill("40");
      await page.getByRole("region", { name: "Water change" }).getByRole("button", { name: "Work it out" }).click();
      await page.getByText("1.440 kg of salt").waitFor();
      expect(await violations(page)).toEqual([]);
      expect(await page.evaluate(() => document.documentElement.scrollWidth - innerWidth)).toBeLessThanOrEqual(0);
      await page.getByRole("button", { name: /A mistake: alkalinity of/ }).first().click();
      await page.getByText("A mistake, said mara; it does not count.").first().waitFor();
      expect(complaints).toEqual([]);
      await context.close();
    } finally {
      await station.close();
    }
  });

  test("two buffers beside the live reading, judged, sent, taken back; pumps by the file", async () => {
    const station = await standIn();
    try {
      const { page, context, complaints } = await open(browser, "phone", "dark", station.url);
      await logIn(page, "mara", PASSWORD);
      await go(page, "Calibration");
      await page.getByText("The probe does not hold its calibration: within 0.1 pH for 9 days, not 14.").waitFor();
      await page.getByRole("button", { name: "Calibrate ph", exact: false }).first().click();
      const take = page.getByRole("button", { name: "Take this reading" });
      // Not before the reading stands.
      await page.getByText("It still moves by").waitFor();
      expect(await take.isDisabled()).toBe(true);
      for (const n of [1, 2]) {
        await page.getByText("It stands").waitFor({ timeout: 15_000 });
        if (n === 1) await page.getByText("Buffer 7.00 has pH 7.00 at 24.80\u00a0°C.").waitFor();
        await take.click();
      }
      expect(await violations(page)).toEqual([]);
      await page.getByRole("button", { name: "Judge by 2 references" }).click();
      await page.getByText("Sound: slopes 96.7 % and 96.7 %, offset +3.10 mV.").waitFor();
      await page.getByRole("button", { name: "Send to the board" }).click();
      await page.getByText("done: the board keeps it", { exact: false }).waitFor();
      await page.getByRole("button", { name: "Close" }).click();
      await page.getByRole("button", { name: "Take back the calibration of pH" }).click();
      await page.getByLabel("Why").fill("the buffer was old");
      await page.getByRole("button", { name: "Take it back" }).click();
      await page.getByRole("dialog").getByText("done: scan 108100 took it").waitFor();
      await page.getByRole("dialog").getByRole("button", { name: "Close" }).click();
      await page.getByText("Lime pump: 50\u00a0mL/min by the file.").waitFor();
      expect(await page.evaluate(() => document.documentElement.scrollWidth - innerWidth)).toBeLessThanOrEqual(0);
      expect(complaints).toEqual([]);
      await context.close();
    } finally {
      await station.close();
    }
  });
});
