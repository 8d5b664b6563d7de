// Draws the icons that an installed page needs as pixels from public/icon.svg: npm run icons.
import { readFileSync, writeFileSync } from "node:fs";
import { launch } from "../tests/browser/browser.ts";

const folder = new URL("../public/", import.meta.url);
const svg = readFileSync(new URL("icon.svg", folder), "utf8");
const browser = await launch();
for (const size of [192, 512]) {
  const page = await browser.newPage({ viewport: { width: size, height: size } });
  await page.setContent(`<style>body{margin:0}svg{display:block;width:${size}px;height:${size}px}</style>${svg}`);
  writeFileSync(new URL(`icon-${size}.png`, folder), await page.screenshot());
  await page.close();
}
await browser.close();
