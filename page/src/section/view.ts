// The window through which a sheet is seen: moving and zooming it, and what a live value does to a part. Pure.

import type { Binding, Quality, Shape, Sheet, SheetPart, XY } from "../api/types.ts";

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
  /** As the board judged it; not there for what has none. */
  quality?: Quality;
}

/** Whether both read the same, so that nothing has to be drawn again. */
export function isSame(a: Known | undefined, b: Known | undefined): boolean {
  return a === b || (!!a && !!b && a.value === b.value && a.text === b.text && a.isDoubtful === b.isDoubtful && a.quality === b.quality);
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
  const shown = parts.flatMap((part) => {
    const reading = bound(part, "reading", values);
    const flow = bound(part, "flow", values);
    // A meter and its pipe say the same.
    const isTwice = !reading && parts.some((other) => other !== part && bound(other, "reading", values)?.text === flow?.text);
    const known = reading ?? (isTwice ? undefined : flow);
    return known?.value !== undefined && isShown(known) ? [{ part, known }] : [];
  });
  for (const { part, known } of shown.sort((a, b) => a.part.anchor[1] - b.part.anchor[1])) {
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

/** How fast marks move along a pipe, mm of paper a second, for a flow in m³/s: by its logarithm, so that a dosing line is seen to move and a
 * return can still be followed. */
export function pace(flow: number): number {
  const litresPerHour = Math.abs(flow) * 3.6e6;
  return litresPerHour === 0 ? 0 : 4 + 6 * Math.log10(1 + litresPerHour / 10);
}

export interface Flow {
  id: string;
  points: XY[];
  width: number;
  /** mm of paper a second, negative against the drawn direction. */
  pace: number;
  /** The rate is known; else only that the pump runs. */
  isMeasured: boolean;
}

/** Of a pump that runs and whose flow nobody measures: marks move at this pace. */
const UNKNOWN_PACE = 8;

/** Every pipe in which water is known to move. */
export function flows(parts: SheetPart[], values: Values): Flow[] {
  return parts.flatMap((part) => {
    const flow = bound(part, "flow", values)?.value;
    const isPumping = (bound(part, "running", values)?.value ?? 0) > 0;
    const speed = flow !== undefined ? Math.sign(flow) * pace(flow) : isPumping ? UNKNOWN_PACE : 0;
    if (speed === 0) return [];
    return part.shapes.flatMap((shape) =>
      shape.kind === "pipe" ? [{ id: part.id, points: shape.points, width: shape.width, pace: speed, isMeasured: flow !== undefined }] : [],
    );
  });
}

/** A number in a ring beside a part, as on an assembly drawing, for the sentences that speak of it. */
export interface Balloon {
  at: XY;
  /** Numbers of the sentences, from 1. */
  n: number[];
}

/** Names of the parts of the sheet that a text of the station has in it, as the system file writes them. */
export function mentioned(text: string, sheet: Sheet): SheetPart[] {
  const tokens = new Set(text.match(/[A-Za-z0-9_-]+/g) ?? []);
  return sheet.parts.filter((part) => (part.layer === "gear" || part.layer === "pipe") && tokens.has(part.name));
}

export function balloons(sentences: string[], sheet: Sheet): Balloon[] {
  const by = new Map<string, Balloon>();
  sentences.forEach((text, i) => {
    for (const part of mentioned(text, sheet)) {
      const one = by.get(part.id) ?? { at: part.anchor, n: [] };
      one.n.push(i + 1);
      by.set(part.id, one);
    }
  });
  return [...by.values()];
}
