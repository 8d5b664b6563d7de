// What is seen of trends as one picture, with title and legend, as on paper.

import { DASHES } from "./plot.tsx";

export interface PictureGroup {
  canvas: HTMLCanvasElement;
  unit: string;
  legend: { text: string; n: number | undefined }[];
}

const MARGIN = 24;
const LINE = 20;

/** Draws it at the density of the screen; gives a PNG. */
export async function picture(title: string, under: string, groups: PictureGroup[], from: HTMLElement): Promise<Blob> {
  const style = getComputedStyle(from);
  const colour = (name: string) => style.getPropertyValue(`--${name}`).trim();
  const px = devicePixelRatio;
  const width = Math.max(...groups.map(({ canvas }) => canvas.width / px), 480) + 2 * MARGIN;
  const rows = groups.reduce((sum, group) => sum + group.legend.length * LINE + group.canvas.height / px + LINE, 0);
  const height = MARGIN * 2 + LINE * 3 + rows;
  const canvas = document.createElement("canvas");
  canvas.width = Math.round(width * px);
  canvas.height = Math.round(height * px);
  const ctx = canvas.getContext("2d");
  if (!ctx) throw new Error("This browser draws no pictures.");
  ctx.scale(px, px);
  ctx.fillStyle = colour("paper");
  ctx.fillRect(0, 0, width, height);
  ctx.strokeStyle = colour("ink");
  ctx.strokeRect(8.5, 8.5, width - 17, height - 17);
  ctx.fillStyle = colour("ink");
  const write = (text: string, x: number, y: number, size: number, weight = "") => {
    ctx.font = `${weight} ${size}px ${style.fontFamily}`;
    ctx.fillText(text, x, y, width - x - MARGIN);
  };
  let y = MARGIN + LINE * 0.8;
  write(title, MARGIN, y, 16, "600");
  y += LINE;
  write(under, MARGIN, y, 12);
  y += LINE;
  for (const group of groups) {
    for (const { text, n } of group.legend) {
      ctx.setLineDash(n === undefined ? [] : (DASHES[n] ?? []));
      if (n !== undefined) {
        ctx.beginPath();
        ctx.moveTo(MARGIN, y - 4);
        ctx.lineTo(MARGIN + 32, y - 4);
        ctx.stroke();
      }
      ctx.setLineDash([]);
      write(text, MARGIN + 40, y, 12);
      y += LINE;
    }
    write(group.unit, MARGIN, y, 12);
    ctx.drawImage(group.canvas, MARGIN, y + 4, group.canvas.width / px, group.canvas.height / px);
    y += group.canvas.height / px + LINE;
  }
  return new Promise((done, fail) => canvas.toBlob((blob) => (blob ? done(blob) : fail(new Error("no picture"))), "image/png"));
}

/** Hands a file to the browser to be kept. */
export function save(blob: Blob, name: string): void {
  const url = URL.createObjectURL(blob);
  const link = document.createElement("a");
  link.href = url;
  link.download = name;
  link.click();
  setTimeout(() => URL.revokeObjectURL(url), 10_000);
}
