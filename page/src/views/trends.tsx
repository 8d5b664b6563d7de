// Trends: any series over any range, with gaps, quality and notes; the same as a table; the same as a file.

import { lazy, Suspense } from "preact/compat";
import { useEffect, useMemo, useState } from "preact/hooks";
import { get } from "../api/client.ts";
import type { Note, Series, Trend } from "../api/types.ts";
import { state, stationNow } from "../live.ts";
import { useLoaded } from "../load.ts";
import { Waits } from "../parts/state.tsx";
import { colours } from "../settings.ts";
import { clock, day, forInput, moment, span } from "../time.ts";
import { type Columns, columns, gridOf, RANGES, type Range, row, scaled, shifted, summary, times } from "../trend/columns.ts";
import type { Drawn } from "../trend/plot.tsx";
import { shownUnit, system, type System } from "../units.ts";
import { ended, named, words } from "../words.ts";

// The library that draws is fetched when somebody looks at trends.
const Plot = lazy(() => import("../trend/plot.tsx").then((module) => module.Plot));

const w = words.trends;
const MOST = 5;
const TABLE_ROWS = 24;

/** The end of what there is: now, or the newest data of a board of software that lives faster. */
function newest(): number {
  return Math.max(stationNow.peek(), ...(state.peek()?.boards.map((board) => board.newest_ms ?? 0) ?? []));
}

function firstPick(all: Series[]): number[] {
  const degrees = all.find((series) => series.unit === "degC");
  return degrees ? [degrees.id] : all.slice(0, 1).map((series) => series.id);
}

/** What the address says: `?s=3,7&from=...&to=...`, so that a view can be kept and sent. */
function fromAddress(): { ids?: number[]; range?: Range } {
  const ask = new URLSearchParams(location.search);
  const ids = (ask.get("s") ?? "").split(",").filter((word) => /^\d+$/.test(word)).map(Number).slice(0, MOST);
  const [from, to] = [Number(ask.get("from")), Number(ask.get("to"))];
  return { ...(ids.length > 0 ? { ids } : {}), ...(from > 0 && to > from ? { range: { from, to } } : {}) };
}

export function Trends() {
  const asked = useMemo(fromAddress, []);
  const all = useLoaded(() => get<Series[]>("series"), []);
  const [picked, setPicked] = useState<number[] | undefined>(asked.ids);
  const [range, setRange] = useState<Range>(() => asked.range ?? { from: newest() - RANGES.d1, to: newest() });
  const [isTable, setTable] = useState(false);
  useEffect(() => {
    if (all.value && picked === undefined) setPicked(firstPick(all.value));
  }, [all.value]);
  useEffect(() => {
    if (picked) history.replaceState(null, "", `/trends?s=${picked.join(",")}&from=${range.from}&to=${range.to}`);
  }, [picked, range]);
  const chosen = (picked ?? []).flatMap((id) => all.value?.filter((series) => series.id === id) ?? []);
  return (
    <>
      <Waits of={all} />
      {all.value && <Pick all={all.value} picked={picked ?? []} onPick={setPicked} />}
      <RangeForm range={range} onRange={setRange} />
      {all.value && chosen.length === 0 && <p class="calm">{w.none}</p>}
      {chosen.length > 0 && <Shown chosen={chosen} range={range} isTable={isTable} onRange={setRange} />}
      {chosen.length > 0 && (
        <div class="row no-print">
          <button type="button" onClick={() => setTable(!isTable)} aria-pressed={isTable}>
            {isTable ? w.plot : w.table}
          </button>
          <a class="button" download href={`/api/v1/export?from=${range.from}&to=${range.to}&series=${chosen.map(({ id }) => id).join(",")}&format=csv`}>
            {w.csv}
          </a>
          <button type="button" onClick={() => print()}>
            {w.print}
          </button>
        </div>
      )}
    </>
  );
}

function Pick({ all, picked, onPick }: { all: Series[]; picked: number[]; onPick(ids: number[]): void }) {
  const [find, setFind] = useState("");
  const boards = [...new Set(all.map((series) => series.board))];
  const fits = (series: Series) => named(series.name).toLowerCase().includes(find.trim().toLowerCase());
  const isFull = picked.length >= MOST;
  return (
    <details class="pick no-print">
      <summary>
        {w.pick} <span class="note">({picked.length})</span>
      </summary>
      <label class="field">
        <span>{w.find}</span>
        <input type="search" value={find} onInput={(event) => setFind(event.currentTarget.value)} />
      </label>
      {isFull && <p class="note">{w.atMost(MOST)}</p>}
      {boards.map((board) => (
        <fieldset key={board}>
          <legend>{board}</legend>
          <div class="choices">
            {all
              .filter((series) => series.board === board && fits(series))
              .map((series) => (
                <label class="check" key={series.id}>
                  <input
                    type="checkbox"
                    checked={picked.includes(series.id)}
                    disabled={isFull && !picked.includes(series.id)}
                    onChange={(event) =>
                      onPick(event.currentTarget.checked ? [...picked, series.id] : picked.filter((id) => id !== series.id))
                    }
                  />
                  {named(series.name)}
                </label>
              ))}
          </div>
        </fieldset>
      ))}
    </details>
  );
}

function RangeForm({ range, onRange }: { range: Range; onRange(range: Range): void }) {
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
        <form class="row" onSubmit={submit} key={`${range.from}-${range.to}`}>
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

interface Read {
  series: Series;
  columns: Columns;
  n: number;
}

interface ShownProps {
  chosen: Series[];
  range: Range;
  isTable: boolean;
  onRange(range: Range): void;
}

function Shown({ chosen, range, isTable, onRange }: ShownProps) {
  const width = Math.max(120, Math.min(innerWidth, 1200));
  const trends = useLoaded(
    () =>
      Promise.all(chosen.map(({ id }) => get<Trend>(`series/${id}/trend?from=${range.from}&to=${range.to}&width=${width}`))),
    [chosen.map(({ id }) => id).join(), range.from, range.to],
  );
  const notes = useLoaded(() => get<Note[]>(`notes?from=${range.from}&to=${range.to}`), [range.from, range.to]);
  const [cursor, setCursor] = useState<number>();
  const units = system.value;
  const made = useMemo(() => {
    if (!trends.value || trends.value.length !== chosen.length) return undefined;
    const grid = gridOf(trends.value, range.to);
    const read = trends.value.map((trend, n): Read | undefined => {
      const series = chosen[n];
      if (!series) return undefined;
      const { factor, offset } = shownUnit(series.unit, units);
      return { series, columns: columns(trend, grid, factor, offset ?? 0), n };
    });
    return { at: times(grid), stepMs: grid.stepMs, read: read.filter((one) => one !== undefined) };
  }, [trends.value, units]);
  const groups = useMemo(() => {
    const groups = new Map<string, Read[]>();
    for (const one of made?.read ?? []) {
      const key = one.series.is_bit ? "bit" : shownUnit(one.series.unit, units).unit;
      groups.set(key, [...(groups.get(key) ?? []), one]);
    }
    return [...groups].map(([key, list]) => ({
      key,
      list,
      drawn: list.map(({ series, n, columns }): Drawn => ({ name: named(series.name), n, columns })),
    }));
  }, [made]);
  const marks = useMemo(() => notes.value?.map((note) => note.from_ms) ?? [], [notes.value]);
  return (
    <section aria-label={words.viewTitles.trends} aria-busy={trends.isLoading}>
      <p class="print-only">
        {w.from} {moment(range.from, 0)} {w.to.toLowerCase()} {moment(range.to, 0)}
      </p>
      <Waits of={trends} />
      {made && (
        <>
          {groups.map(({ key, list, drawn }) => (
            <div key={key} class="group">
              <ol class="legend">
                {list.map((one, row) => (
                  <Legend key={one.series.id} read={one} row={row} cursor={cursor} at={made.at} units={units} />
                ))}
              </ol>
              {!isTable && (
                <Suspense fallback={<p class="pending">{words.loading}</p>}>
                  <Plot
                    at={made.at}
                    stepMs={made.stepMs}
                    range={range}
                    drawn={drawn}
                    unit={key === "bit" ? "" : key}
                    isBit={key === "bit"}
                    marks={marks}
                    colours={colours.value}
                    label={list.map((one) => inWords(one, units)).join(". ")}
                    onPick={onRange}
                    onCursor={setCursor}
                  />
                </Suspense>
              )}
            </div>
          ))}
          {isTable && <Table read={made.read} at={made.at} stepMs={made.stepMs} range={range} units={units} />}
          {!isTable && <p class="note">{w.legend}</p>}
        </>
      )}
      {notes.value && notes.value.length > 0 && (
        <>
          <h2>{w.notes}</h2>
          <ul>
            {notes.value.map((note) => (
              <li key={note.id}>
                {moment(note.from_ms, stationNow.value)}: {ended(words.log.noteBy(note.who, note.text))}
              </li>
            ))}
          </ul>
        </>
      )}
    </section>
  );
}

function shown(value: number | null | undefined, series: Series, units: System): string {
  if (typeof value !== "number") return "–";
  const { unit, digits } = shownUnit(series.unit, units);
  const figure = value.toFixed(series.is_bit ? 2 : digits).replace("-", "−");
  return unit === "" ? figure : `${figure}\u00a0${unit}`;
}

function inWords({ series, columns }: Read, units: System): string {
  const all = summary(columns);
  const longest = Math.max(0, ...columns.gaps.map(([from, to]) => to - from));
  const gaps = w.gaps(columns.gaps.length, span(longest));
  if (!all) return `${named(series.name)}: ${w.empty}`;
  const text = (value: number) => shown(value, series, units);
  return `${w.summary(named(series.name), text(all.low), text(all.mean), text(all.high))}. ${gaps}`;
}

interface LegendProps {
  read: Read;
  row: number;
  cursor: number | undefined;
  at: number[];
  units: System;
}

const DASHES = ["", "7 4", "2 3", "9 3 2 3", "14 5"];

function Legend({ read, row, cursor, at, units }: LegendProps) {
  const { series, columns, n } = read;
  const s = cursor === undefined ? undefined : at[cursor];
  const value = cursor === undefined ? undefined : columns.mean[cursor];
  return (
    <li>
      {series.is_bit ? (
        <b>{row + 1}</b>
      ) : (
        <svg class="dash" viewBox="0 0 36 8" aria-hidden="true">
          <path d="M0 4H36" stroke-dasharray={DASHES[n]} />
        </svg>
      )}
      <span>{inWords(read, units)}</span>
      {s !== undefined && (
        <b class="cursor" aria-hidden="true">
          {`${moment(s * 1000, newest())}: ${shown(value, series, units)}`}
        </b>
      )}
    </li>
  );
}

interface TableProps {
  read: Read[];
  at: number[];
  stepMs: number;
  range: Range;
  units: System;
}

function Table({ read, at, stepMs, range, units }: TableProps) {
  const each = Math.max(1, Math.ceil(at.length / TABLE_ROWS));
  const rows = Array.from({ length: Math.ceil(at.length / each) }, (_, i) => i * each);
  const isLong = range.to - range.from > 2 * 86_400_000;
  return (
    <div class="scroll" tabIndex={0} role="group" aria-label={w.table}>
      <table>
        <thead>
          <tr>
            <th scope="col" rowSpan={2}>
              {w.time}
            </th>
            {read.map(({ series }) => (
              <th key={series.id} scope="colgroup" colSpan={3}>
                {named(series.name)}
              </th>
            ))}
          </tr>
          <tr>
            {read.flatMap(({ series }) =>
              [w.low, w.mean, w.high].map((word) => (
                <th key={`${series.id}${word}`} scope="col" class="number">
                  {word}
                </th>
              )),
            )}
          </tr>
        </thead>
        <tbody>
          {rows.map((i) => {
            const ms = (at[i] ?? 0) * 1000 - stepMs / 2;
            return (
              <tr key={i}>
                <th scope="row">{isLong ? `${day(ms)} ${clock(ms)}` : clock(ms)}</th>
                {read.flatMap(({ series, columns }) => {
                  const found = row(columns, i, i + each);
                  if (!found) {
                    return [
                      <td key={series.id} colSpan={3} class="note">
                        {w.noData}
                      </td>,
                    ];
                  }
                  return [found.low, found.mean, found.high].map((value, n) => (
                    <td key={`${series.id}${n}`} class="number">
                      {shown(value, series, units)}
                    </td>
                  ));
                })}
              </tr>
            );
          })}
        </tbody>
      </table>
    </div>
  );
}
