// The window through which a sheet is seen: moving and zooming it, and what a live value does to a part. Pure.

import type { Binding, Shape, Sheet, SheetPart, XY } from "../api/types.ts";

/** x, y, width, height in mm of paper. */
export type Box = [number, number, number, number];

/** Layers that belong to what is drawn, not to the paper. */
const DRAWN = new Set(["room", "water", "inner", "glass", "pipe", "gear", "level"]);

export function whole(sheet: Sheet): Box {
  return [0, 0, sheet.size[0], sheet.size[1]];
}

/** The points of a shape, with the reach of what is round or thick. */
function corners(shape: Shape): XY[] {
  if (shape.kind === "circle") {
    const [x, y] = shape.centre;
    return [
      [x - shape.radius, y - shape.radius],
      [x + shape.radius, y + shape.radius],
    ];
  }
  return shape.points;
}

/** The smallest window with everything drawn in it, without texts, dimensions and title block. */
export function drawing(sheet: Sheet): Box {
  const points = sheet.parts.filter((part) => DRAWN.has(part.layer)).flatMap((part) => part.shapes.flatMap(corners));
  if (points.length === 0) return whole(sheet);
  let [x0, y0, x1, y1] = [Infinity, Infinity, -Infinity, -Infinity];
  for (const [x, y] of points) {
    x0 = Math.min(x0, x);
    x1 = Math.max(x1, x);
    y0 = Math.min(y0, y);
    y1 = Math.max(y1, y);
  }
  const air = 3;
  return [x0 - air, y0 - air, x1 - x0 + 2 * air, y1 - y0 + 2 * air];
}

/** Larger by `by` (above 1: closer) around a point, never wider than `most` nor closer than 20 times. */
export function zoomed(box: Box, by: number, [cx, cy]: XY, most: Box): Box {
  const w = Math.min(most[2], Math.max(most[2] / 20, box[2] / by));
  const k = w / box[2];
  return kept([cx - (cx - box[0]) * k, cy - (cy - box[1]) * k, w, box[3] * k], most);
}

export function moved(box: Box, dx: number, dy: number, most: Box): Box {
  return kept([box[0] + dx, box[1] + dy, box[2], box[3]], most);
}

function kept([x, y, w, h]: Box, most: Box): Box {
  const keep = (at: number, size: number, from: number, room: number) =>
    size >= room ? from + (room - size) / 2 : Math.min(Math.max(at, from), from + room - size);
  return [keep(x, w, most[0], most[2]), keep(y, h, most[1], most[3]), w, h];
}

export function middle(box: Box): XY {
  return [box[0] + box[2] / 2, box[1] + box[3] / 2];
}

/** What is known of a value of the sheet. */
export interface Known {
  /** In the unit of the binding; not there while it cannot be believed. */
  value?: number;
  /** As people read it. */
  text: string;
  /** The value is old, uncertain or bad. */
  isDoubtful: boolean;
}

export type Values = ReadonlyMap<string, Known>;

export function bound(part: SheetPart, property: Binding["property"], values: Values): Known | undefined {
  const binding = part.bindings.find((one) => one.property === property);
  return binding && values.get(binding.value);
}

/** The shapes of a part with its water at the level that is measured; as drawn where none is. */
export function shapesAt(part: SheetPart, values: Values): Shape[] {
  const binding = part.bindings.find((one) => one.property === "top");
  const level = binding && values.get(binding.value)?.value;
  if (!binding || level === undefined) return part.shapes;
  const top = binding.zero + binding.per_unit * level;
  const drawn = Math.min(...part.shapes.flatMap(corners).map(([, y]) => y));
  const lifted = ([x, y]: XY): XY => [x, Math.abs(y - drawn) < 0.01 ? top : y];
  return part.shapes.map((shape) =>
    shape.kind === "line" || shape.kind === "area" ? { ...shape, points: shape.points.map(lifted) } : shape,
  );
}

export interface Tag {
  id: string;
  text: string;
  isDoubtful: boolean;
  at: XY;
}

/** Figures beside their probes, each `size` mm high, moved down where they would lie over each other. */
export function tags(parts: SheetPart[], values: Values, size: number, isShown: (known: Known) => boolean): Tag[] {
  const all: (Tag & { width: number })[] = [];
  const readings = parts
    .map((part) => ({ part, known: bound(part, "reading", values) }))
    .sort((a, b) => a.part.anchor[1] - b.part.anchor[1]);
  for (const { part, known } of readings) {
    if (!known || known.value === undefined || !isShown(known)) continue;
    const width = known.text.length * size * 0.6;
    const x = part.anchor[0] + size * 0.4;
    let y = part.anchor[1] + size * 0.3;
    for (const other of all) {
      const isBeside = x < other.at[0] + other.width && other.at[0] < x + width;
      if (isBeside && y < other.at[1] + size && other.at[1] < y + size) y = other.at[1] + size;
    }
    all.push({ id: part.id, text: known.text, isDoubtful: known.isDoubtful, at: [x, y], width });
  }
  return all;
}
