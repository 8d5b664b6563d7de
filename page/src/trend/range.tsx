// Which time is shown: lengths, steps, and from when to when.

import { useState } from "preact/hooks";
import { forInput, moment } from "../time.ts";
import { words } from "../words.ts";
import { RANGES, type Range, scaled, shifted } from "./columns.ts";

const w = words.trends;

interface Props {
  range: Range;
  /** The end of what there is, ms. */
  newest(): number;
  onRange(range: Range): void;
}

export function RangeForm({ range, newest, onRange }: Props) {
  const [isWrong, setWrong] = useState(false);
  const length = range.to - range.from;
  const submit = (event: SubmitEvent) => {
    event.preventDefault();
    const form = new FormData(event.currentTarget as HTMLFormElement);
    const from = new Date(String(form.get("from"))).getTime();
    const to = new Date(String(form.get("to"))).getTime();
    setWrong(!(from < to));
    if (from < to) onRange({ from, to });
  };
  return (
    <div class="range no-print" role="group" aria-label={w.range}>
      <div class="row">
        {Object.entries(RANGES).map(([key, ms]) => (
          <button
            type="button"
            class="small"
            key={key}
            aria-pressed={Math.abs(length - ms) < 1000}
            onClick={() => onRange({ from: newest() - ms, to: newest() })}
          >
            {w.ranges[key as keyof typeof w.ranges]}
          </button>
        ))}
      </div>
      <div class="row">
        <button type="button" class="small" onClick={() => onRange(shifted(range, -0.5, newest()))}>
          ← {w.earlier}
        </button>
        <button type="button" class="small" onClick={() => onRange(shifted(range, 0.5, newest()))}>
          {w.later} →
        </button>
        <button type="button" class="small" onClick={() => onRange(scaled(range, 0.5, newest()))}>
          + {w.closer}
        </button>
        <button type="button" class="small" onClick={() => onRange(scaled(range, 2, newest()))}>
          − {w.wider}
        </button>
        <button type="button" class="small" onClick={() => onRange({ from: newest() - length, to: newest() })}>
          {w.untilNow}
        </button>
      </div>
      <details>
        <summary>
          {w.from} {moment(range.from, 0)} {w.to.toLowerCase()} {moment(range.to, 0)}
        </summary>
        <form class="row" onSubmit={submit} key={`${Math.round(range.from / 60_000)}-${Math.round(range.to / 60_000)}`}>
          <label class="field inline">
            <span>{w.from}</span>
            <input type="datetime-local" name="from" required defaultValue={forInput(range.from)} />
          </label>
          <label class="field inline">
            <span>{w.to}</span>
            <input type="datetime-local" name="to" required defaultValue={forInput(range.to)} />
          </label>
          <button type="submit" class="small">
            {w.show}
          </button>
        </form>
        {isWrong && (
          <p class="bad" role="alert">
            {w.badRange}
          </p>
        )}
      </details>
    </div>
  );
}
