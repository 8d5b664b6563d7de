// Measures what docs/page.md promises, in Debian's Chromium against the stand-in, and fails where it is missed: npm run measure.

import { launch, logIn, open, SIZES } from "../tests/browser/browser.ts";
import { PASSWORD, standIn } from "../tests/stand-in.ts";

interface Figure {
  what: string;
  value: number;
  unit: string;
  /** At most, or with `isLeast` at least. */
  bound: number;
  isLeast?: boolean;
}

const figures: Figure[] = [];
const browser = await launch();
const station = await standIn();

/** From the request to the drawing with its water, by the browser's own clock, on a processor four times slower. */
async function firstDrawing(): Promise<number[]> {
  const { page, context } = await open(browser, "phone", "light", station.url);
  await logIn(page, "mara", PASSWORD);
  const client = await context.newCDPSession(page);
  await client.send("Emulation.setCPUThrottlingRate", { rate: 4 });
  const all: number[] = [];
  for (let n = 0; n < 5; n += 1) {
    await page.goto("about:blank");
    await page.addInitScript(() => {
      new MutationObserver((_, watch) => {
        if (!document.querySelector("svg.sheet path.water")) return;
        watch.disconnect();
        requestAnimationFrame(() => requestAnimationFrame(() => ((window as unknown as { drawn: number }).drawn = performance.now())));
      }).observe(document, { childList: true, subtree: true });
    });
    await page.goto(station.url);
    const drawn = await page.waitForFunction(() => (window as unknown as { drawn?: number }).drawn);
    all.push((await drawn.jsonValue()) as number);
  }
  await context.close();
  return all;
}

const drawn = (await firstDrawing()).sort((a, b) => a - b);
console.log(`first drawing, 4x throttled, ms: ${drawn.map((ms) => ms.toFixed(0)).join(" ")}`);
figures.push({ what: `first drawing at ${SIZES.phone.width} px, processor throttled four times, median`, value: drawn[2] ?? Infinity, unit: "ms", bound: 1000 });

/** A year of five signals, from the answers to the drawing, ms; not throttled. */
async function yearOfFive(): Promise<number[]> {
  const { page, context } = await open(browser, "desktop", "light", station.url);
  await logIn(page, "mara", PASSWORD);
  const all: number[] = [];
  const to = Date.now();
  for (let n = 0; n < 5; n += 1) {
    // Another year each time, so that nothing is there already.
    await page.goto(`${station.url}/trends?s=1,2,3,8,9&from=${to - 365 * 86_400_000 - n * 1e9}&to=${to - n * 1e9}`);
    await page.waitForFunction(() => performance.getEntriesByName("trends:drawn").length > 0);
    await page.waitForTimeout(500);
    all.push(await page.evaluate(() => Math.max(...performance.getEntriesByName("trends:drawn").map((entry) => entry.duration))));
  }
  await context.close();
  return all;
}

/** Frames a second while a run plays, at desktop size. */
async function replaying(): Promise<number> {
  const { page, context } = await open(browser, "desktop", "light", station.url);
  await logIn(page, "mara", PASSWORD);
  await page.goto(`${station.url}/faults`);
  await page.locator(".matrix td.untold").first().click();
  await page.getByRole("button", { name: "▶ Play" }).first().click();
  await page.waitForTimeout(500);
  const fps = await page.evaluate(
    () =>
      new Promise<number>((done) => {
        let n = 0;
        const begin = performance.now();
        requestAnimationFrame(function step(now) {
          n += 1;
          if (now - begin > 4000) done((n * 1000) / (now - begin));
          else requestAnimationFrame(step);
        });
      }),
  );
  await context.close();
  return fps;
}

figures.push({ what: "frames a second while a run plays", value: await replaying(), unit: "/s", bound: 58, isLeast: true });
const year = (await yearOfFive()).sort((a, b) => a - b);
console.log(`a year of five signals, ms: ${year.map((ms) => ms.toFixed(0)).join(" ")}`);
figures.push({ what: "a year of five signals, from the answers to the drawing, median", value: year[2] ?? Infinity, unit: "ms", bound: 200 });

await browser.close();
await station.close();
for (const { what, value, unit, bound, isLeast } of figures) {
  const isMet = isLeast ? value >= bound : value <= bound;
  console.log(`${isMet ? "ok    " : "MISSED"} ${what}: ${value.toFixed(1)} ${unit} (${isLeast ? "at least" : "at most"} ${bound})`);
  if (!isMet) process.exitCode = 1;
}
process.exit();
