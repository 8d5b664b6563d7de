// One plot: series of one unit over time, in ink. Lines are told apart by their dashes, not by colour.

import { useEffect, useLayoutEffect, useRef } from "preact/hooks";
import uPlot from "uplot";
import "uplot/dist/uPlot.min.css";
import { day } from "../time.ts";
import { words } from "../words.ts";
import type { Columns, Range } from "./columns.ts";
import { hold, keyed } from "./hands.ts";
import { flags, type Mark } from "./marks.ts";

export interface Drawn {
  name: string;
  /** Place in the order of picking, which gives its dashes. */
  n: number;
  columns: Columns;
  /** The same a day before, on the same columns. */
  before: (number | null | undefined)[] | undefined;
  /** What the twin expects, on the same columns. */
  expected: Expected | undefined;
}

export interface Expected {
  mean: (number | null | undefined)[];
  low: (number | null | undefined)[];
  high: (number | null | undefined)[];
}

/** Dashes of the n-th series; the legend shows the same. */
export const DASHES: number[][] = [[], [7, 4], [2, 3], [9, 3, 2, 3], [14, 5]];

interface Props {
  at: number[];
  stepMs: number;
  range: Range;
  drawn: Drawn[];
  unit: string;
  isBit: boolean;
  marks: Mark[];
  /** A moment that was pointed at, ms. */
  pin: number | undefined;
  /** Rises when the colours change. */
  colours: number;
  label: string;
  /** Now, beyond which nothing is shown. */
  now(): number;
  onRange(range: Range): void;
  onPin(ms: number): void;
  onCursor(column: number | undefined): void;
}

/** Flags stand at least this far from each other, px. */
const FLAG_PX = 30;

export function Plot(props: Props) {
  const { at, stepMs, range, drawn, unit, isBit, marks, pin, colours, label } = props;
  const place = useRef<HTMLDivElement>(null);
  const made = useRef<uPlot>(undefined);
  const acts = useRef(props);
  acts.current = props;
  // What the drawing on the screen shows besides its data.
  const drawnAs = `${range.from} ${range.to} ${pin} ${marks.length}`;
  const lastAs = useRef("");
  // Before the browser paints: with an effect after it, the drawing would come frames later.
  useLayoutEffect(() => {
    const element = place.current;
    if (!element) return;
    const style = getComputedStyle(element);
    const colour = (name: string) => style.getPropertyValue(`--${name}`).trim();
    const ink = colour("ink");
    const font = `12px ${style.fontFamily}`;
    const height = isBit ? 40 + 26 * drawn.length : 220;
    const band = ink.startsWith("#") ? `${ink}22` : ink;
    // Contacts stand one above the other, each between 0 and 1 of its own row.
    const lifted = (list: (number | null | undefined)[], n: number) =>
      isBit ? list.map((value) => (typeof value === "number" ? value * 0.7 + (drawn.length - 1 - n) : value)) : list;
    const data: uPlot.AlignedData = [
      at,
      ...drawn.flatMap(({ columns }, n) => [lifted(columns.mean, n), lifted(columns.min, n), lifted(columns.max, n)]),
      ...drawn.flatMap(({ before }, n) => (before ? [lifted(before, n)] : [])),
      ...drawn.flatMap(({ expected }) => (expected ? [expected.mean, expected.low, expected.high] : [])),
    ];
    const series: uPlot.Series[] = [
      {},
      ...drawn.flatMap(({ n }): uPlot.Series[] => {
        const steps = isBit ? { paths: uPlot.paths.stepped!({ align: 1 }) } : {};
        const thin: uPlot.Series = { stroke: "transparent", width: 0, points: { show: false }, ...steps };
        return [
          { stroke: ink, width: 1.3, dash: isBit ? [] : (DASHES[n] ?? []), points: { show: false }, ...steps },
          { ...thin },
          { ...thin },
        ];
      }),
      ...drawn.flatMap(({ before }): uPlot.Series[] => {
        const steps = isBit ? { paths: uPlot.paths.stepped!({ align: 1 }) } : {};
        return before ? [{ stroke: colour("faint"), width: 0.8, points: { show: false }, ...steps }] : [];
      }),
      ...drawn.flatMap(({ expected }): uPlot.Series[] => {
        const edge: uPlot.Series = { stroke: "transparent", width: 0, points: { show: false } };
        return expected ? [{ stroke: colour("water"), width: 1, dash: [1, 3], points: { show: false } }, { ...edge }, { ...edge }] : [];
      }),
    ];
    const water = colour("water");
    const nBefore = drawn.filter(({ before }) => before).length;
    const expectedBands = drawn
      .filter(({ expected }) => expected)
      .map((_, i): uPlot.Band => {
        const first = 1 + 3 * drawn.length + nBefore + 3 * i;
        return { series: [first + 2, first + 1], fill: water.startsWith("#") ? `${water}26` : water };
      });
    const hatched = (u: uPlot, x0: number, x1: number) => {
      const { ctx, bbox } = u;
      const left = Math.max(bbox.left, Math.min(x0, x1));
      const right = Math.min(bbox.left + bbox.width, Math.max(x0, x1));
      if (right - left < 1) return;
      ctx.save();
      ctx.beginPath();
      ctx.rect(left, bbox.top, right - left, bbox.height);
      ctx.clip();
      ctx.strokeStyle = colour("faint");
      ctx.lineWidth = devicePixelRatio;
      ctx.beginPath();
      const gap = 9 * devicePixelRatio;
      for (let x = left - bbox.height - ((left - bbox.left) % gap); x < right; x += gap) {
        ctx.moveTo(x, bbox.top + bbox.height);
        ctx.lineTo(x + bbox.height, bbox.top);
      }
      ctx.stroke();
      const word = words.trends.noData;
      ctx.font = font.replace("12px", `${12 * devicePixelRatio}px`);
      const width = ctx.measureText(word).width;
      if (right - left > width + 8) {
        const [cx, cy] = [(left + right) / 2, bbox.top + bbox.height / 2];
        ctx.fillStyle = colour("paper");
        ctx.fillRect(cx - width / 2 - 4, cy - 9 * devicePixelRatio, width + 8, 18 * devicePixelRatio);
        ctx.fillStyle = ink;
        ctx.textAlign = "center";
        ctx.textBaseline = "middle";
        ctx.fillText(word, cx, cy);
      }
      ctx.restore();
    };
    const signs = (u: uPlot) => {
      const { ctx, bbox } = u;
      const px = devicePixelRatio;
      const x = (s: number) => u.valToPos(s, "x", true);
      ctx.save();
      ctx.lineWidth = px;
      drawn.forEach(({ columns }, n) => {
        ctx.strokeStyle = colour("alarm");
        ctx.beginPath();
        let lastX = -Infinity;
        columns.isBad.forEach((isBad, i) => {
          const at_i = at[i];
          if (!isBad || at_i === undefined) return;
          const cx = x(at_i);
          if (cx - lastX < 7 * px) return;
          lastX = cx;
          const cy = bbox.top + bbox.height - (6 + 9 * n) * px;
          const r = 3 * px;
          ctx.moveTo(cx - r, cy - r);
          ctx.lineTo(cx + r, cy + r);
          ctx.moveTo(cx + r, cy - r);
          ctx.lineTo(cx - r, cy + r);
        });
        ctx.stroke();
        ctx.strokeStyle = ink;
        lastX = -Infinity;
        columns.isUncertain.forEach((isUncertain, i) => {
          const [at_i, value] = [at[i], lifted(columns.mean, n)[i]];
          if (!isUncertain || at_i === undefined || typeof value !== "number") return;
          const cx = x(at_i);
          if (cx - lastX < 9 * px) return;
          lastX = cx;
          ctx.strokeRect(cx - 3 * px, u.valToPos(value, "y", true) - 3 * px, 6 * px, 6 * px);
        });
      });
      ctx.fillStyle = ink;
      ctx.strokeStyle = ink;
      ctx.font = font.replace("12px", `${11 * px}px`);
      ctx.textBaseline = "top";
      ctx.textAlign = "left";
      const msPerPx = (1000 * ((u.scales["x"]?.max ?? 0) - (u.scales["x"]?.min ?? 0))) / (bbox.width / px);
      for (const flag of flags(acts.current.marks, FLAG_PX * msPerPx)) {
        const cx = Math.round(x(flag.at / 1000));
        if (cx < bbox.left || cx > bbox.left + bbox.width) continue;
        ctx.beginPath();
        ctx.moveTo(cx, bbox.top);
        ctx.lineTo(cx, bbox.top + 16 * px);
        ctx.stroke();
        // A flag for a note, an open one for an event.
        ctx.beginPath();
        ctx.moveTo(cx, bbox.top);
        ctx.lineTo(cx + 7 * px, bbox.top + 3.5 * px);
        ctx.lineTo(cx, bbox.top + 7 * px);
        if (flag.hasNote) ctx.fill();
        else ctx.stroke();
        ctx.fillText(flag.text, cx + 3 * px, bbox.top + 8 * px);
      }
      const pinned = acts.current.pin;
      if (pinned !== undefined) {
        const cx = x(pinned / 1000);
        if (cx >= bbox.left && cx <= bbox.left + bbox.width) {
          ctx.setLineDash([4 * px, 3 * px]);
          ctx.beginPath();
          ctx.moveTo(cx, bbox.top);
          ctx.lineTo(cx, bbox.top + bbox.height);
          ctx.stroke();
        }
      }
      ctx.restore();
    };
    const two = (n: number) => String(n).padStart(2, "0");
    const axis: uPlot.Axis = {
      stroke: ink,
      font,
      grid: { stroke: colour("rule"), width: 1 },
      ticks: { stroke: colour("thin"), width: 1, size: 5 },
    };
    const plot = new uPlot(
      {
        width: element.clientWidth,
        height,
        padding: [8, 8, 0, 0],
        legend: { show: false },
        cursor: {
          sync: { key: "trends" },
          points: { show: false },
          drag: { x: true, y: false, setScale: false },
          // A drag moves the plot; with Shift it picks a range.
          bind: { mousedown: (_u, _element, act) => (event) => (event.shiftKey ? act(event) : null) },
        },
        select: { show: true, left: 0, top: 0, width: 0, height: 0 },
        series,
        bands: [
          ...drawn.map((_, i): uPlot.Band => ({ series: [3 * i + 3, 3 * i + 2], fill: isBit ? "transparent" : band })),
          ...expectedBands,
        ],
        scales: {
          x: { time: true, range: () => [acts.current.range.from / 1000, acts.current.range.to / 1000] },
          y: isBit ? { range: [-0.2, drawn.length] } : {},
        },
        axes: [
          {
            ...axis,
            values: (_, splits, _axis, _space, incr) =>
              splits.map((s, i) => {
                const t = new Date(s * 1000);
                const date = `${two(t.getMonth() + 1)}-${two(t.getDate())}`;
                if (incr >= 86_400) return incr >= 28 * 86_400 ? day(s * 1000).slice(0, 7) : date;
                const clock = `${two(t.getHours())}:${two(t.getMinutes())}`;
                const before = splits[i - 1];
                const isNewDay = before === undefined || new Date(before * 1000).getDate() !== t.getDate();
                return isNewDay ? `${clock}\n${date}` : clock;
              }),
            space: 64,
            size: 40,
          },
          {
            ...axis,
            size: 56,
            ...(isBit
              ? {
                  splits: () => drawn.map((_, n) => drawn.length - 1 - n),
                  values: () => drawn.map((_, n) => String(n + 1)),
                }
              : {}),
          },
        ],
        hooks: {
          drawClear: [
            (u) => {
              if (drawn.length === 0) return;
              const x = (ms: number) => u.valToPos(ms / 1000, "x", true);
              // Where every series of the plot has a gap; with one series that is its own.
              for (const [from, to] of common(drawn.map(({ columns }) => columns.gaps))) hatched(u, x(from), x(to));
            },
          ],
          draw: [signs],
          setSelect: [
            (u) => {
              if (u.select.width < 8) return;
              const from = u.posToVal(u.select.left, "x") * 1000;
              const to = u.posToVal(u.select.left + u.select.width, "x") * 1000;
              u.setSelect({ left: 0, top: 0, width: 0, height: 0 }, false);
              acts.current.onRange({ from: Math.round(from), to: Math.round(to) });
            },
          ],
          setCursor: [(u) => acts.current.onCursor(u.cursor.idx ?? undefined)],
        },
      },
      data,
      element,
    );
    made.current = plot;
    lastAs.current = drawnAs;
    const release = hold({
      over: plot.over,
      range: () => acts.current.range,
      now: () => acts.current.now(),
      onRange: (range) => acts.current.onRange(range),
      onPin: (ms) => acts.current.onPin(ms),
    });
    // How long it took from the answer to the drawing, for whoever measures.
    const asked = performance.getEntriesByName("trends:data").at(-1);
    if (asked) requestAnimationFrame(() => performance.measure("trends:drawn", { start: asked.startTime }));
    const watch = new ResizeObserver(() => {
      if (element.clientWidth !== plot.width) plot.setSize({ width: element.clientWidth, height });
    });
    watch.observe(element);
    return () => {
      made.current = undefined;
      watch.disconnect();
      release();
      plot.destroy();
    };
  }, [at, drawn, isBit, colours, stepMs]);
  useEffect(() => {
    if (lastAs.current === drawnAs) return;
    lastAs.current = drawnAs;
    // Moving and zooming draws what is there again; what is asked for meanwhile comes later.
    made.current?.setScale("x", { min: range.from / 1000, max: range.to / 1000 });
  }, [drawnAs, marks]);
  return (
    <figure class="plot">
      <figcaption class="note">{unit}</figcaption>
      <div
        ref={place}
        class="canvas"
        role="img"
        tabIndex={0}
        aria-label={label}
        onKeyDown={(event) => {
          if (event.ctrlKey || event.metaKey || event.altKey) return;
          const next = keyed(event.key, acts.current.range, acts.current.now());
          if (!next) return;
          event.preventDefault();
          acts.current.onRange(next);
        }}
      />
    </figure>
  );
}

/** Times that lie in a gap of every list. */
export function common(lists: [number, number][][]): [number, number][] {
  const [first, ...others] = lists;
  return others.reduce<[number, number][]>(
    (so, list) =>
      so.flatMap(([a, b]) =>
        list.map(([c, d]): [number, number] => [Math.max(a, c), Math.min(b, d)]).filter(([from, to]) => from < to),
      ),
    first ?? [],
  );
}
