// What stands on a sheet as SVG: hatchings, parts, texts, moving water. Each is drawn again only when what it shows has changed.

import { memo } from "preact/compat";
import type { Shape, SheetLabel, SheetPart, XY } from "../api/types.ts";
import { words } from "../words.ts";
import { type Balloon, bound, type Flow, isSame, type Known, shapesAt, type Values } from "./view.ts";

const INK: Record<string, string> = {
  "fresh-water": "fresh",
  dimension: "dim",
  "water-line-0": "level l0",
  "water-line-1": "level l1",
  "water-line-2": "level l2",
  "water-line-3": "level l3",
};
const PATTERNED = new Set(["glass", "ground", "rock"]);

/** mm as they stand in the SVG. */
export const mm = (n: number) => String(Math.round(n * 100) / 100);

export function line(points: XY[], isClosed: boolean): string {
  return `M${points.map(([x, y]) => `${mm(x)} ${mm(y)}`).join("L")}${isClosed ? "Z" : ""}`;
}

export function Hatchings() {
  return (
    <defs>
      <pattern id="sheet-glass" width=".8" height=".8" patternUnits="userSpaceOnUse" patternTransform="rotate(45)">
        <path class="mask" d="M0 0H.8V.8H0Z" />
        <path class="hatch" d="M.4 0V.8" />
      </pattern>
      <pattern id="sheet-ground" width="1.3" height="1.3" patternUnits="userSpaceOnUse" patternTransform="rotate(-45)">
        <path class="hatch" d="M.6 0V1.3" />
      </pattern>
      <pattern id="sheet-rock" width="1.5" height="1.5" patternUnits="userSpaceOnUse">
        <circle class="dot" cx=".4" cy=".4" r=".16" />
        <circle class="dot" cx="1.1" cy="1.15" r=".16" />
      </pattern>
    </defs>
  );
}

function Drawn({ shape }: { shape: Shape }) {
  if (shape.kind === "pipe") {
    const d = line(shape.points, false);
    return (
      <>
        <path class="pipe-edge" stroke-width={mm(shape.width)} d={d} />
        <path class="pipe-bore" stroke-width={mm(Math.max(shape.width - 0.44, 0.3))} d={d} />
      </>
    );
  }
  const ink = INK[shape.ink] ?? shape.ink;
  const fill = PATTERNED.has(ink) ? { fill: `url(#sheet-${ink})` } : {};
  if (shape.kind === "circle") {
    return <circle class={ink} cx={mm(shape.centre[0])} cy={mm(shape.centre[1])} r={mm(shape.radius)} {...fill} />;
  }
  const isArea = shape.kind === "area";
  const mark = isArea && ink.startsWith("level") ? " mark" : "";
  return <path class={ink + mark} d={line(shape.points, isArea)} {...fill} />;
}

/** The line of water whose level is known: along the upper edge of the body. */
function Surface({ shapes }: { shapes: Shape[] }) {
  const body = shapes.find((shape) => shape.kind === "area" && shape.ink !== "mask");
  if (body?.kind !== "area") return null;
  const y = Math.min(...body.points.map(([, y]) => y));
  const xs = body.points.filter(([, at]) => Math.abs(at - y) < 0.01).map(([x]) => x);
  return <path class="level l0" d={`M${mm(Math.min(...xs))} ${mm(y)}H${mm(Math.max(...xs))}`} />;
}

interface PartProps {
  part: SheetPart;
  values: Values;
}

function PartOf({ part, values }: PartProps) {
  const running = bound(part, "running", values);
  // A pipe keeps its walls; its pump shows whether it runs.
  const isPipe = part.layer === "pipe";
  const state = isPipe || running === undefined ? "" : running.value === undefined ? "unknown" : running.value > 0 ? "runs" : "rests";
  const told = bound(part, "flow", values) ?? running ?? bound(part, "reading", values);
  const shapes = shapesAt(part, values);
  const top = bound(part, "top", values)?.value;
  return (
    <g class={`part ${state}${told?.isDoubtful ? " doubtful" : ""}`} data-part={part.id}>
      {told && <title>{`${part.name}: ${told.text}${told.quality && told.quality !== "good" ? `, ${words.section.quality(told.quality)}` : ""}`}</title>}
      {shapes.map((shape) => (
        <Drawn shape={shape} />
      ))}
      {top !== undefined && <Surface shapes={shapes} />}
    </g>
  );
}

/** One part, drawn again when one of its own values has changed. */
export const Part = memo(
  PartOf,
  (a: PartProps, b: PartProps) => a.part === b.part && a.part.bindings.every(({ value }) => isSame(a.values.get(value), b.values.get(value))),
);

/** Height of a line over the height of its font, and where the letters stand in it, as the sheet was laid out with. */
const LEADING = 1.28;
const BASE = 0.78;

interface LabelProps {
  label: SheetLabel;
  now: Known | undefined;
}

function LabelOf({ label, now }: LabelProps) {
  const [x, y, w, h] = label.bounds;
  const [at, anchor] =
    label.align === "left" ? [x, "start"] : label.align === "middle" ? [x + w / 2, "middle"] : [x + w, "end"];
  // What is now takes the place of the first remark under the name.
  const lines = label.lines.map((one, n) =>
    now && n === Math.min(1, label.lines.length - 1)
      ? { ...one, text: n === 0 ? `${one.text}: ${now.text}` : now.text, isNow: true }
      : { ...one, isNow: false },
  );
  let top = y;
  return (
    <>
      {lines.map((one) => {
        const base = top + one.size * LEADING * BASE;
        top += one.size * LEADING;
        const turned = label.is_turned
          ? { transform: `rotate(-90 ${mm(x + w / 2)} ${mm(y + h / 2)})`, x: mm(x + w / 2), y: mm(y + h / 2), dy: mm(one.size * 0.36) }
          : { x: mm(at), y: mm(base) };
        return (
          <text
            class={`halo${one.is_bold ? " b" : ""}${one.isNow ? ` now${now?.isDoubtful ? " doubtful" : ""}` : ""}`}
            font-size={mm(one.size)}
            text-anchor={anchor}
            {...turned}
          >
            {one.text}
          </text>
        );
      })}
    </>
  );
}

export const Label = memo(LabelOf, (a: LabelProps, b: LabelProps) => a.label === b.label && isSame(a.now, b.now));

/** Period of the marks in a pipe, mm of paper. */
const PERIOD = 3.2;

/** Marks that move with the water; where nothing may move they stand, and the arrow of the pipe shows which way. */
export function Flows({ list }: { list: Flow[] }) {
  return (
    <>
      {list.map(({ id, points, width, pace, isMeasured }, i) => (
        <path
          key={`${id}${i}`}
          class={`flow${isMeasured ? "" : " guessed"}${pace < 0 ? " back" : ""}`}
          d={line(points, false)}
          stroke-width={mm(Math.max(0.3, Math.min(width * 0.4, 1)))}
          style={{ animationDuration: `${(PERIOD / Math.abs(pace)).toFixed(2)}s` }}
        />
      ))}
    </>
  );
}

/** Marks of quality beside their parts, the same as in trends: a square for uncertain, a cross for bad. */
export function Qualities({ parts, values, size }: { parts: SheetPart[]; values: Values; size: number }) {
  return (
    <>
      {parts.map((part) => {
        const quality = bound(part, "reading", values)?.quality;
        if (quality === undefined || quality === "good") return null;
        const [x, y] = [part.anchor[0] - size * 0.9, part.anchor[1] - size * 0.9];
        const r = size * 0.3;
        return quality === "bad" ? (
          <path key={part.id} class="quality bad-mark" stroke-width={mm(size * 0.14)} d={`M${mm(x - r)} ${mm(y - r)}l${mm(2 * r)} ${mm(2 * r)}m0 ${mm(-2 * r)}l${mm(-2 * r)} ${mm(2 * r)}`} />
        ) : (
          <path key={part.id} class="quality" stroke-width={mm(size * 0.1)} d={`M${mm(x - r)} ${mm(y - r)}h${mm(2 * r)}v${mm(2 * r)}h${mm(-2 * r)}Z`} />
        );
      })}
    </>
  );
}

/** Numbers in rings, each with a line to the part that its sentence speaks of. */
export function Balloons({ list, size }: { list: Balloon[]; size: number }) {
  return (
    <>
      {list.map(({ at: [x, y], n }) => {
        const text = n.join(",");
        const [cx, cy] = [x + size * 1.7, y - size * 1.7];
        const r = size * (0.62 + 0.22 * Math.max(0, text.length - 1));
        return (
          <g key={text + x} class="balloon">
            <path d={`M${mm(x)} ${mm(y)}L${mm(cx - r * 0.71)} ${mm(cy + r * 0.71)}`} stroke-width={mm(size * 0.09)} />
            <circle cx={mm(x)} cy={mm(y)} r={mm(size * 0.14)} class="dot" />
            <circle cx={mm(cx)} cy={mm(cy)} r={mm(r)} stroke-width={mm(size * 0.11)} />
            <text x={mm(cx)} y={mm(cy + size * 0.34)} text-anchor="middle" font-size={mm(size)}>
              {text}
            </text>
          </g>
        );
      })}
    </>
  );
}
