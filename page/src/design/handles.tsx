// Handles on the section: what may be dragged, with mouse, finger or keys. While one moves, what would come of it is shown at once; letting go
// makes the change. One stop for the tab key; Page up and Page down go from handle to handle.

import { useRef, useState } from "preact/hooks";
import type { Handle } from "../api/design.ts";
import { mm } from "../section/drawn.tsx";
import type { Over } from "../section/sheet.tsx";
import { words } from "../words.ts";
import { change, look, noPreview, preview } from "./desk.ts";
import { dragged, drawnOf, kept, moves, placed, stepOf, written } from "./handle.ts";

const w = words.design;

interface Held {
  handle: Handle;
  /** All handles as they were when it was taken. */
  all: Handle[];
  value: number;
  /** mm of the sheet along the axis where it was taken. */
  from: number;
}

/** Size of a handle on the screen, px; what a finger finds is larger. */
const SIZE_PX = 6;
const FINGER_PX = 22;
/** Keys make their change when they have rested so long, ms. */
const REST_MS = 900;

export function handleName(handle: Handle): string {
  return w.handle(handle.path, handle.key);
}

export function Handles({ all, over, picked, onPick }: { all: Handle[]; over: Over; picked: string; onPick(id: string): void }) {
  const [held, setHeld] = useState<Held>();
  const keys = useRef<ReturnType<typeof setTimeout>>(undefined);
  const group = useRef<SVGGElement>(null);
  const list = drawnOf(all);
  const size = SIZE_PX * over.mmPerPx;
  const along = (handle: Handle, event: PointerEvent) => over.at(event)[handle.axis === "x" ? 0 : 1];
  const active = list.some(({ id }) => id === picked) ? picked : (list[0]?.id ?? "");

  const moveTo = (of: Held) => {
    setHeld(of);
    void preview(moves(of.handle, of.value, of.all));
  };
  const settle = async ({ handle, value, all }: Held) => {
    clearTimeout(keys.current);
    if (written(handle, value) === written(handle, handle.value_m)) await noPreview();
    else if (!(await change(moves(handle, value, all), w.moved(handle.path, handle.key, written(handle, value))))) void look();
    setHeld(undefined);
  };
  const onKey = (handle: Handle, event: KeyboardEvent) => {
    if (event.ctrlKey || event.metaKey || event.altKey) return;
    const next = { PageDown: 1, PageUp: -1 }[event.key];
    if (next !== undefined) {
      event.preventDefault();
      const at = list.findIndex(({ id }) => id === handle.id);
      const other = list[(at + next + list.length) % list.length];
      if (!other) return;
      onPick(other.id);
      requestAnimationFrame(() => group.current?.querySelector<SVGGElement>(`[data-handle="${CSS.escape(other.id)}"]`)?.focus());
      return;
    }
    const base = held?.handle.id === handle.id ? held : { handle, value: handle.value_m, from: 0, all };
    if (event.key === "Escape" && held) {
      setHeld(undefined);
      clearTimeout(keys.current);
      void noPreview();
      return;
    }
    const up = handle.axis === "y" ? "ArrowUp" : "ArrowRight";
    const down = handle.axis === "y" ? "ArrowDown" : "ArrowLeft";
    if (event.key === "Enter" && held) {
      event.preventDefault();
      void settle(base);
      return;
    }
    if (event.key !== up && event.key !== down) return;
    event.preventDefault();
    event.stopPropagation();
    const by = stepOf(handle) * (event.shiftKey ? 10 : 1) * (event.key === up ? 1 : -1);
    const moved = { ...base, value: kept(base.handle, base.value + by) };
    moveTo(moved);
    clearTimeout(keys.current);
    keys.current = setTimeout(() => void settle(moved), REST_MS);
  };

  return (
    <g ref={group} class="handles" role="group" aria-label={w.handles}>
      {list.map((handle) => {
        const isHeld = held?.handle.id === handle.id;
        const of = isHeld && held ? held.handle : handle;
        const value = isHeld && held ? held.value : handle.value_m;
        const [x, y] = placed(of, value);
        const text = written(of, value);
        const tall = of.axis === "y";
        return (
          <g
            key={handle.id}
            data-handle={handle.id}
            class={`handle${isHeld ? " held" : ""}${handle.id === active ? " active" : ""}`}
            role="slider"
            tabIndex={handle.id === active ? 0 : -1}
            aria-label={handleName(handle)}
            aria-orientation={tall ? "vertical" : "horizontal"}
            aria-valuemin={Number(of.min.toFixed(4))}
            aria-valuemax={Number(of.max.toFixed(4))}
            aria-valuenow={Number(value.toFixed(4))}
            aria-valuetext={text}
            onFocus={() => onPick(handle.id)}
            onKeyDown={(event) => onKey(handle, event)}
            onPointerDown={(event) => {
              if (event.button !== 0) return;
              event.stopPropagation();
              event.preventDefault();
              event.currentTarget.setPointerCapture(event.pointerId);
              event.currentTarget.focus({ preventScroll: true });
              setHeld({ handle, value: handle.value_m, from: along(handle, event), all });
            }}
            onPointerMove={(event) => {
              if (!held || held.handle.id !== handle.id || !event.currentTarget.hasPointerCapture(event.pointerId)) return;
              event.stopPropagation();
              moveTo({ ...held, value: dragged(held.handle, along(held.handle, event) - held.from) });
            }}
            onPointerUp={(event) => {
              if (held?.handle.id !== handle.id || !event.currentTarget.hasPointerCapture(event.pointerId)) return;
              event.stopPropagation();
              void settle(held);
            }}
            onPointerCancel={() => {
              setHeld(undefined);
              void noPreview();
            }}
          >
            <title>{`${handleName(handle)}: ${text}`}</title>
            {isHeld && <Reach handle={of} x={x} y={y} size={size} text={text} />}
            <circle class="finger" cx={mm(x)} cy={mm(y)} r={mm(FINGER_PX * 0.5 * over.mmPerPx)} />
            <path
              class="grip"
              stroke-width={mm(size * 0.16)}
              d={
                tall
                  ? `M${mm(x)} ${mm(y - size)}l${mm(size * 0.6)} ${mm(size)}l${mm(-size * 0.6)} ${mm(size)}l${mm(-size * 0.6)} ${mm(-size)}Z`
                  : `M${mm(x - size)} ${mm(y)}l${mm(size)} ${mm(size * 0.6)}l${mm(size)} ${mm(-size * 0.6)}l${mm(-size)} ${mm(-size * 0.6)}Z`
              }
            />
          </g>
        );
      })}
    </g>
  );
}

/** The way that a handle may go, and where it is, as a dimension. */
function Reach({ handle, x, y, size, text }: { handle: Handle; x: number; y: number; size: number; text: string }) {
  const [ax, ay] = placed(handle, handle.min);
  const [bx, by] = placed(handle, handle.max);
  const font = size * 1.9;
  return (
    <g class="reach" stroke-width={mm(size * 0.14)}>
      <path d={`M${mm(ax)} ${mm(ay)}L${mm(bx)} ${mm(by)}`} />
      <path d={handle.axis === "y" ? `M${mm(x - size * 3)} ${mm(y)}h${mm(size * 6)}` : `M${mm(x)} ${mm(y - size * 3)}v${mm(size * 6)}`} />
      <text class="tag" font-size={mm(font)} x={mm(x + size * 3.4)} y={mm(y - size * 0.6)}>
        {text}
      </text>
    </g>
  );
}
