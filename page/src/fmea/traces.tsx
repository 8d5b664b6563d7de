// Traces of a run below the section, and what ran when, as a timing diagram. Drawn once; only the line of the moment moves.

import { memo } from "preact/compat";
import { useMemo } from "preact/hooks";
import type { Replay, ReplaySignal } from "../api/design.ts";
import { figure, shownUnit, type System } from "../units.ts";
import { words } from "../words.ts";

const w = words.faults;
/** Points of a trace at most. */
const POINTS = 1000;

/** The path of a signal on 1000 by 100, lowest and highest. */
function trace(signal: ReplaySignal, t: number[]): { d: string; low: number; high: number } {
  let [low, high] = [Infinity, -Infinity];
  for (const value of signal.values) {
    if (value === null) continue;
    low = Math.min(low, value);
    high = Math.max(high, value);
  }
  if (low > high) return { d: "", low: 0, high: 0 };
  // What hardly moves is drawn as a level line, not as its noise.
  const room = Math.max(high - low, Math.abs(high) * 1e-4, 1e-6);
  const [from, to] = [t[0] ?? 0, t[t.length - 1] ?? 1];
  const each = Math.max(1, Math.ceil(t.length / POINTS));
  let d = "";
  let isDown = false;
  for (let i = 0; i < t.length; i += each) {
    const value = signal.values[i];
    if (value === null || value === undefined) {
      isDown = false;
      continue;
    }
    const x = (((t[i] ?? 0) - from) / (to - from || 1)) * 1000;
    const y = 96 - ((value - low) / room) * 92;
    d += `${isDown ? "L" : "M"}${x.toFixed(1)} ${y.toFixed(1)}`;
    isDown = true;
  }
  return { d, low, high };
}

interface Props {
  replay: Replay;
  ids: string[];
  system: System;
}

export const Traces = memo(({ replay, ids, system }: Props) => {
  const drawn = useMemo(
    () =>
      ids.flatMap((id) => {
        const signal = replay.signals.find((one) => one.id === id);
        return signal ? [{ signal, ...trace(signal, replay.t) }] : [];
      }),
    [replay, ids],
  );
  const [from, to] = [replay.t[0] ?? 0, replay.t[replay.t.length - 1] ?? 1];
  const share = (s: number) => ((Math.min(to, Math.max(from, s)) - from) / (to - from || 1)) * 1000;
  const breach = replay.breach_s !== undefined && <path class="breach" d={`M${share(replay.breach_s)} 0V100`} />;
  const moving = replay.outputs.filter(({ on }) => on.length > 1 || (on.length === 1 && ((on[0]?.[0] ?? 0) > from || (on[0]?.[1] ?? 0) < to)));
  return (
    <>
      {drawn.map(({ signal, d, low, high }) => {
        const text = (value: number) => figure(value, signal.unit === "1" ? "" : signal.unit, system);
        const unit = shownUnit(signal.unit === "1" ? "" : signal.unit, system, high).unit;
        return (
          <div key={signal.id} class="trace">
            <p>
              {signal.label}: {w.fromTo(text(low), text(high), unit)}
            </p>
            <svg viewBox="0 0 1000 100" preserveAspectRatio="none" aria-hidden="true">
              <path class="axis" d="M0 98H1000" />
              {breach}
              <path class="line" d={d} />
            </svg>
          </div>
        );
      })}
      {moving.length > 0 && (
        <div class="timing" role="img" aria-label={moving.map(({ label, on }) => w.ran(label, on.length)).join(" ")}>
          {moving.map((output) => (
            <div key={output.id} class="timing-row">
              <span aria-hidden="true">{output.label}</span>
              <svg viewBox="0 0 1000 10" preserveAspectRatio="none" aria-hidden="true">
                <path class="axis" d="M0 9H1000" />
                <path class="bar" d={output.on.map(([a, b]) => `M${share(a).toFixed(1)} 9V2H${Math.max(share(b), share(a) + 1).toFixed(1)}V9Z`).join("")} />
              </svg>
            </div>
          ))}
        </div>
      )}
    </>
  );
});
