// The section on the page: the sheet that the station laid out, as SVG, with what is measured now in place of the file's remarks.

import { useEffect, useMemo, useRef, useState } from "preact/hooks";
import type { Shape, Sheet, SheetLabel, SheetPart, XY } from "../api/types.ts";
import { words } from "../words.ts";
import { type Box, bound, drawing, type Known, middle, moved, shapesAt, tags, type Values, whole, zoomed } from "./view.ts";

const INK: Record<string, string> = {
  "fresh-water": "fresh",
  dimension: "dim",
  "water-line-0": "level l0",
  "water-line-1": "level l1",
  "water-line-2": "level l2",
  "water-line-3": "level l3",
};
const PATTERNED = new Set(["glass", "ground", "rock"]);
const mm = (n: number) => String(Math.round(n * 100) / 100);

function line(points: XY[], isClosed: boolean): string {
  return `M${points.map(([x, y]) => `${mm(x)} ${mm(y)}`).join("L")}${isClosed ? "Z" : ""}`;
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

function Part({ part, values }: { part: SheetPart; values: Values }) {
  const running = bound(part, "running", values);
  const state = running === undefined ? "" : running.value === undefined ? "unknown" : running.value > 0 ? "runs" : "rests";
  const reading = bound(part, "reading", values);
  const title = running ?? reading;
  return (
    <g class={`part ${state}${(running ?? reading)?.isDoubtful ? " doubtful" : ""}`} data-part={part.id}>
      {title && <title>{`${part.name}: ${title.text}`}</title>}
      {shapesAt(part, values).map((shape) => (
        <Drawn shape={shape} />
      ))}
    </g>
  );
}

/** Height of a line over the height of its font, and where the letters stand in it, as the sheet was laid out with. */
const LEADING = 1.28;
const BASE = 0.78;

function Label({ label, now }: { label: SheetLabel; now: { text: string; isDoubtful: boolean } | undefined }) {
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

/** Contacts are told by the list below the drawing; figures stand beside their probes. */
const isFigure = (known: Known) => known.text !== words.bits.on && known.text !== words.bits.off;

/** Narrower than this the drawing alone is shown first, in px. */
const NARROW = 700;
/** Height of a figure beside its probe on the screen, in px. */
const TAG_PX = 11;

export function SheetView({ sheet, values }: { sheet: Sheet; values: Values }) {
  const frame = useRef<HTMLDivElement>(null);
  const [isWhole, setWhole] = useState(() => innerWidth >= NARROW);
  const most = useMemo(() => (isWhole ? whole(sheet) : drawing(sheet)), [sheet, isWhole]);
  const [box, setBox] = useState<Box>(most);
  const [width, setWidth] = useState(600);
  useEffect(() => setBox(most), [most]);
  useEffect(() => {
    const element = frame.current;
    if (!element) return;
    const watch = new ResizeObserver(([entry]) => entry && setWidth(entry.contentRect.width || 600));
    watch.observe(element);
    return () => watch.disconnect();
  }, []);
  const isClose = box[2] < most[2] - 0.01;
  const mmPerPx = box[2] / width;

  const fingers = useRef(new Map<number, XY>());
  const at = (event: { clientX: number; clientY: number }): XY => {
    const rect = frame.current?.getBoundingClientRect();
    return rect ? [box[0] + (event.clientX - rect.left) * mmPerPx, box[1] + (event.clientY - rect.top) * mmPerPx] : middle(box);
  };
  const onMove = (event: PointerEvent) => {
    const before = fingers.current.get(event.pointerId);
    if (!before) return;
    const now: XY = [event.clientX, event.clientY];
    const other = [...fingers.current].find(([id]) => id !== event.pointerId)?.[1];
    if (other) {
      const apart = (a: XY) => Math.hypot(a[0] - other[0], a[1] - other[1]);
      const by = apart(now) / Math.max(apart(before), 1);
      setBox((old) => zoomed(old, by, at({ clientX: (now[0] + other[0]) / 2, clientY: (now[1] + other[1]) / 2 }), most));
    } else if (isClose) {
      setBox((old) => moved(old, (before[0] - now[0]) * mmPerPx, (before[1] - now[1]) * mmPerPx, most));
    }
    fingers.current.set(event.pointerId, now);
  };
  const onLeave = (event: PointerEvent) => void fingers.current.delete(event.pointerId);
  const onKey = (event: KeyboardEvent) => {
    const step = box[2] / 8;
    const go: Record<string, () => Box> = {
      "+": () => zoomed(box, 1.4, middle(box), most),
      "=": () => zoomed(box, 1.4, middle(box), most),
      "-": () => zoomed(box, 1 / 1.4, middle(box), most),
      "0": () => most,
    };
    if (isClose) {
      go["ArrowLeft"] = () => moved(box, -step, 0, most);
      go["ArrowRight"] = () => moved(box, step, 0, most);
      go["ArrowUp"] = () => moved(box, 0, -step, most);
      go["ArrowDown"] = () => moved(box, 0, step, most);
    }
    const act = go[event.key];
    if (!act || event.ctrlKey || event.metaKey || event.altKey) return;
    event.preventDefault();
    setBox(act());
  };
  useEffect(() => {
    const element = frame.current;
    if (!element) return;
    // A listener that may prevent scrolling has to be added by hand.
    const onWheel = (event: WheelEvent) => {
      if (!event.ctrlKey && !event.metaKey) return;
      event.preventDefault();
      setBox((old) => zoomed(old, event.deltaY < 0 ? 1.2 : 1 / 1.2, at(event), most));
    };
    element.addEventListener("wheel", onWheel, { passive: false });
    return () => element.removeEventListener("wheel", onWheel);
  });

  const ofLabel = (label: SheetLabel) => {
    const part = sheet.parts.find((one) => one.id === label.part);
    if (!part || !["name", "sensor", "actuator"].includes(label.key)) return undefined;
    return bound(part, "running", values) ?? bound(part, "reading", values);
  };
  const drawn = sheet.parts.filter((part) => part.layer !== "frame" && (isWhole || part.layer !== "dimension"));
  const framed = isWhole ? sheet.parts.filter((part) => part.layer === "frame") : [];
  return (
    <figure class="section">
      <div
        ref={frame}
        class={`sheet-frame${isClose ? " close" : ""}`}
        tabIndex={0}
        role="group"
        aria-label={`${sheet.title}. ${words.section.hint}`}
        onKeyDown={onKey}
        onPointerDown={(event) => {
          fingers.current.set(event.pointerId, [event.clientX, event.clientY]);
          if (isClose || fingers.current.size > 1) frame.current?.setPointerCapture(event.pointerId);
        }}
        onPointerMove={onMove}
        onPointerUp={onLeave}
        onPointerCancel={onLeave}
        onPointerLeave={onLeave}
      >
        <svg class="sheet" viewBox={box.map(mm).join(" ")} role="img" aria-label={sheet.title}>
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
          {drawn.map((part) => (
            <Part key={part.id} part={part} values={values} />
          ))}
          {isWhole &&
            sheet.labels
              .filter((label) => label.leader.length > 1)
              .map((label) => <path class="leader" d={line(label.leader, false)} />)}
          {framed.map((part) => (
            <Part key={part.id} part={part} values={values} />
          ))}
          <g aria-hidden="true">
            {isWhole
              ? sheet.labels.map((label) => <Label label={label} now={ofLabel(label)} />)
              : tags(drawn, values, TAG_PX * mmPerPx, isFigure).map((tag) => (
                  <text key={tag.id} class={`tag${tag.isDoubtful ? " doubtful" : ""}`} font-size={mm(TAG_PX * mmPerPx)} x={mm(tag.at[0])} y={mm(tag.at[1])}>
                    {tag.text}
                  </text>
                ))}
          </g>
        </svg>
      </div>
      <figcaption>
        <div class="row" role="group" aria-label={words.section.controls}>
          <button type="button" class="small" onClick={() => setBox(zoomed(box, 1.5, middle(box), most))}>
            {words.section.closer}
          </button>
          <button type="button" class="small" onClick={() => setBox(zoomed(box, 1 / 1.5, middle(box), most))} disabled={!isClose}>
            {words.section.wider}
          </button>
          <button type="button" class="small" onClick={() => setWhole(!isWhole)}>
            {isWhole ? words.section.drawing : words.section.whole}
          </button>
        </div>
        <details>
          <summary>{words.section.inWords}</summary>
          <p class="description">{sheet.description}</p>
        </details>
      </figcaption>
    </figure>
  );
}
