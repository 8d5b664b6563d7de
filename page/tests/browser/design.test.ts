// Design in a browser: a float is dragged by mouse and keys, typed, taken back, kept as a draft; what is refused is said.

import type { Browser, Page } from "playwright-core";
import { afterAll, beforeAll, describe, expect, test } from "vitest";
import { PASSWORD, standIn } from "../stand-in.ts";
import { executable, go, launch, logIn, open, type Size, violations } from "./browser.ts";

let browser: Browser;

beforeAll(async () => {
  if (executable) browser = await launch();
});
afterAll(async () => browser?.close());

async function design(size: Size, act: (page: Page) => Promise<void>): Promise<void> {
  const station = await standIn();
  try {
    const { page, context, complaints } = await open(browser, size, size === "phone" ? "dark" : "light", station.url);
    await logIn(page, "mara", PASSWORD);
    await go(page, "Design");
    await page.getByRole("button", { name: "Open Harbour Lane reading-room reef" }).click();
    await page.waitForSelector(".handle");
    await act(page);
    expect(complaints).toEqual([]);
    await context.close();
  } finally {
    await station.close();
  }
}

const FLOAT = '[data-handle="sensor.float_c_high.high"]';

describe.skipIf(!executable)("design", () => {
  test("a float is dragged: its finding shows while it moves, letting go is one change, and it is taken back", () =>
    design("desktop", async (page) => {
      const grip = (await page.locator(`${FLOAT} .grip`).boundingBox())!;
      const [x, y] = [grip.x + grip.width / 2, grip.y + grip.height / 2];
      await page.mouse.move(x, y);
      await page.mouse.down();
      await page.mouse.move(x, y - 60, { steps: 8 });
      await page.getByText("float c high never sees the water").first().waitFor();
      // Not a change yet.
      await page.getByText("as it was opened").waitFor();
      await page.mouse.up();
      await page.getByText("one change.").waitFor();
      await page.locator(".balloon").waitFor();
      await page.keyboard.press("Control+z");
      await page.getByText("as it was opened").waitFor();
      await expect.poll(() => page.getByText("never sees the water").count()).toBe(0);
      await page.getByRole("button", { name: "Redo" }).click();
      await page.getByText("float c high never sees the water").first().waitFor();
    }));

  test("by keyboard alone: the handle is a slider that says its value", () =>
    design("desktop", async (page) => {
      const slider = page.getByRole("slider", { name: "Float c high: high" });
      await slider.focus();
      for (let n = 0; n < 9; n += 1) await page.keyboard.press("Shift+ArrowUp");
      await page.getByText("float c high never sees the water").first().waitFor();
      await page.keyboard.press("Enter");
      await page.getByText("one change.").waitFor();
      expect(await slider.getAttribute("aria-valuetext")).toBe("305 mm");
      await page.getByLabel("to", { exact: true }).fill("220 mm");
      await page.getByRole("button", { name: "Set" }).click();
      await expect.poll(() => slider.getAttribute("aria-valuetext")).toBe("220 mm");
    }));

  test("the text beside it: typing is looked at, findings lead to their line, one history for both", () =>
    design("desktop", async (page) => {
      await page.getByRole("button", { name: "Text", exact: true }).click();
      const editor = page.getByRole("textbox", { name: "The system file" });
      await editor.waitFor();
      await editor.click();
      await page.keyboard.press("Control+Home");
      await page.keyboard.type("# typed\n");
      await page.getByText("one change.").waitFor();
      await page.keyboard.press("Control+z");
      await page.getByText("as it was opened").waitFor();
      expect((await editor.textContent())?.includes("# typed")).toBe(false);
      expect(await violations(page)).toEqual([]);
    }));

  test("the values of a part are a form; what is refused leaves the text as it was", () =>
    design("phone", async (page) => {
      await page.getByRole("combobox", { name: "Part", exact: true }).selectOption("actuator.heater_sump");
      await page.getByLabel("Power").fill("150 W");
      await page.keyboard.press("Enter");
      await page.getByText("one change.").waitFor();
      await page.getByLabel("Power").fill("150 ?");
      await page.keyboard.press("Enter");
      await page.getByText("Not changed. `150 ?` is no quantity.".replaceAll("`", "")).waitFor();
      await page.getByText("one change.").waitFor();
      expect(await violations(page)).toEqual([]);
      const over = await page.evaluate(() => document.documentElement.scrollWidth - innerWidth);
      expect(over).toBeLessThanOrEqual(0);
    }));

  test("a part is added by kind and name; what else the file must say is asked for", () =>
    design("desktop", async (page) => {
      await page.getByText("Add a part").click();
      await page.getByLabel("Its name in the file").fill("float_new");
      await page.getByRole("button", { name: "Add it" }).click();
      await page.getByText("The file must say this of it too.").waitFor();
      await page.getByLabel("Low", { exact: true }).fill("190 mm");
      await page.getByLabel("High", { exact: true }).fill("195 mm");
      await page.getByRole("button", { name: "Add it" }).click();
      await page.getByText("one change.").waitFor();
      expect(await page.getByRole("combobox", { name: "Part", exact: true }).inputValue()).toBe("sensor.float_new");
    }));

  test("a draft is kept at the station, and nobody else's is written over", () =>
    design("phone", async (page) => {
      await page.getByRole("button", { name: "Save as a draft" }).click();
      await page.getByRole("dialog").getByLabel("Name").fill("larger sump");
      await page.getByRole("button", { name: "Save it" }).click();
      await page.getByText("Saved as larger sump.").waitFor();
      await page.locator("dialog").getByRole("button", { name: "Close" }).click();
      await page.getByText("Draft larger sump:").waitFor();
      // Open the board's file again, and try to take the same name.
      await page.getByRole("button", { name: "Open …" }).click();
      await page.getByRole("button", { name: "Open Harbour Lane reading-room reef" }).click();
      await page.getByText("A copy of what board tank runs:").waitFor();
      await page.getByRole("button", { name: "Save as a draft" }).click();
      await page.getByRole("dialog").getByLabel("Name").fill("larger sump");
      await page.getByRole("button", { name: "Save it" }).click();
      await page.getByText("was saved by ines meanwhile").waitFor();
    }));

  test("what is on the desk outlives the window", () =>
    design("phone", async (page) => {
      await page.getByRole("combobox", { name: "Part", exact: true }).selectOption("actuator.heater_sump");
      await page.getByLabel("Power").fill("150 W");
      await page.keyboard.press("Enter");
      await page.getByText("one change.").waitFor();
      await page.reload();
      await page.getByText("A copy of what board tank runs: changed.").waitFor();
    }));
});
