// The section in a browser: moving and zooming it, what moves in it, what it prints, and a page that opens without a line.

import { execFileSync } from "node:child_process";
import { mkdtempSync, rmSync } from "node:fs";
import { tmpdir } from "node:os";
import { join } from "node:path";
import type { Browser, Page } from "playwright-core";
import { afterAll, beforeAll, describe, expect, test } from "vitest";
import { PASSWORD, standIn } from "../stand-in.ts";
import { executable, launch, logIn, open, type Size } from "./browser.ts";

let browser: Browser;

beforeAll(async () => {
  if (executable) browser = await launch();
});
afterAll(async () => browser?.close());

async function at(size: Size, act: (page: Page, station: Awaited<ReturnType<typeof standIn>>) => Promise<void>): Promise<void> {
  const station = await standIn();
  try {
    const { page, context } = await open(browser, size, "light", station.url);
    await logIn(page, "mara", PASSWORD);
    await page.waitForSelector("svg.sheet");
    await act(page, station);
    await context.close();
  } finally {
    await station.close();
  }
}

const width = async (page: Page) => Number((await page.locator("svg.sheet").first().getAttribute("viewBox"))?.split(" ")[2]);

describe.skipIf(!executable)("the section", () => {
  test("zooms by wheel once it is gone into, by keys and by buttons, and fits again", () =>
    at("desktop", async (page) => {
      const all = await width(page);
      const frame = page.locator(".sheet-frame");
      await frame.hover();
      await page.mouse.wheel(0, -400);
      await page.waitForTimeout(100);
      // A wheel that passes scrolls the page.
      expect(await width(page)).toBe(all);
      await page.evaluate(() => scrollTo(0, 0));
      await frame.focus();
      await frame.hover();
      await page.mouse.wheel(0, -400);
      await expect.poll(() => width(page)).toBeLessThan(all * 0.7);
      await page.keyboard.press("0");
      await expect.poll(() => width(page)).toBe(all);
      await page.keyboard.press("+");
      await expect.poll(() => width(page)).toBeCloseTo(all / 1.4, 1);
      const before = await page.locator("svg.sheet").first().getAttribute("viewBox");
      await page.keyboard.press("ArrowRight");
      await expect.poll(() => page.locator("svg.sheet").first().getAttribute("viewBox")).not.toBe(before);
      await page.getByRole("button", { name: "Fit" }).click();
      await expect.poll(() => width(page)).toBe(all);
      await page.getByRole("button", { name: "+ Closer" }).click();
      await expect.poll(() => width(page)).toBeLessThan(all);
    }));

  test("two fingers zoom about the place between them", () =>
    at("phone", async (page) => {
      const all = await width(page);
      await page.locator(".sheet-frame").scrollIntoViewIfNeeded();
      const box = (await page.locator(".sheet-frame").boundingBox())!;
      const [x, y] = [box.x + box.width / 2, box.y + box.height / 2];
      const client = await page.context().newCDPSession(page);
      const touch = (type: string, apart: number) =>
        client.send("Input.dispatchTouchEvent", {
          type: type as "touchStart",
          touchPoints: type === "touchEnd" ? [] : [{ x: x - apart, y, id: 1 }, { x: x + apart, y, id: 2 }],
        });
      await touch("touchStart", 20);
      for (const apart of [25, 30, 40, 50]) await touch("touchMove", apart);
      await touch("touchEnd", 0);
      await expect.poll(() => width(page)).toBeLessThan(all * 0.7);
    }));

  test("shows which way water is known to move, quality by shape, and rings with the numbers of the sentences", () =>
    at("desktop", async (page) => {
      expect(await page.locator(".sheet .flow").count()).toBeGreaterThan(0);
      expect(await page.locator('[data-part="passage.return"] title').textContent()).toContain("2412\u00a0L/h");
      expect(await page.locator(".sheet .quality").count()).toBe(2);
      expect(await page.locator(".sheet .bad-mark").count()).toBe(1);
      expect(await page.locator(".balloon text").allTextContents()).toEqual(expect.arrayContaining(["2", "3"]));
      // With less motion asked for nothing moves; the arrow and the rate still tell.
      expect(await page.locator(".sheet .flow").first().evaluate((element) => getComputedStyle(element).animationName)).toBe("none");
    }));

  test("prints the whole sheet to scale on one page, whatever is on the screen", () =>
    at("phone", async (page) => {
      await page.evaluate(() => {
        window.print = () => {};
      });
      await page.getByRole("button", { name: "+ Closer" }).click();
      await page.getByRole("button", { name: "Print the sheet" }).click();
      const folder = mkdtempSync(join(tmpdir(), "tidewright-print-"));
      const path = join(folder, "sheet.pdf");
      await page.pdf({ path, preferCSSPageSize: true, printBackground: true });
      const info = execFileSync("sh", ["-c", 'command -v pdfinfo >/dev/null && pdfinfo "$0" || echo none', path]).toString();
      rmSync(folder, { recursive: true });
      if (info.startsWith("none")) return;
      expect(/Pages:\s+(\d+)/.exec(info)?.[1]).toBe("1");
      // ISO 216: A4 is 297 mm by 210 mm, 841.9 pt by 595.3 pt.
      const [w, h] = /Page size:\s+([\d.]+) x ([\d.]+)/.exec(info)!.slice(1).map(Number);
      expect(w).toBeCloseTo(841.9, -1);
      expect(h).toBeCloseTo(595.3, -1);
    }));

  test("without a line the page opens, says so, shows nothing old, and goes on by itself", () =>
    at("phone", async (page, station) => {
      await page.evaluate(() => navigator.serviceWorker.ready);
      await page.waitForFunction(() => navigator.serviceWorker.controller !== null);
      const port = Number(new URL(station.url).port);
      await station.close();
      await page.goto(station.url);
      await page.getByText("The station gave no answer.").waitFor();
      expect(await page.getByText("What needs attention").count()).toBe(0);
      expect(await page.getByText("25.3").count()).toBe(0);
      const again = await standIn({ port });
      await page.getByRole("heading", { name: "Log in" }).waitFor({ timeout: 15_000 });
      await again.close();
    }));

  test("a restart of the station is said", () =>
    at("phone", async (page, station) => {
      station.restart();
      await page.getByText("The station was started again at").waitFor({ timeout: 15_000 });
      await page.getByRole("button", { name: "Close", exact: true }).click();
      expect(await page.getByText("The station was started again at").count()).toBe(0);
    }));
});
