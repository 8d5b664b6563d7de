// Trends: any series over any range, with gaps, quality, events and notes; a day before and what was expected beside it; as a table, as a
// file, as a picture.

import { useEffect, useMemo, useRef, useState } from "preact/hooks";
import { get, path, said } from "../api/client.ts";
import type { EventRow, Expectation, Note, Series, Trend } from "../api/types.ts";
import { state, stationNow } from "../live.ts";
import { useLoaded } from "../load.ts";
import { text } from "../parts/ask.tsx";
import { Photos, type Picked, PickPhotos, writeNote } from "../parts/photos.tsx";
import { Waits } from "../parts/state.tsx";
import { mayAct } from "../session.ts";
import { colours } from "../settings.ts";
import { forInput, moment } from "../time.ts";
import { around, columns, gridOf, largest, later, onColumns, RANGES, type Range, times, within } from "../trend/columns.ts";
import { type Mark, marksOf } from "../trend/marks.ts";
import { MOST, Pick } from "../trend/pick.tsx";
import { type Drawn, Plot } from "../trend/plot.tsx";
import { RangeForm } from "../trend/range.tsx";
import { inWords, type Read, shown } from "../trend/read.ts";
import { Table } from "../trend/table.tsx";
import { shownUnit, system } from "../units.ts";
import { ended, named, sentence, words, written } from "../words.ts";

const w = words.trends;
/** Data are asked for when a movement has rested so long, ms. */
const REST_MS = 140;
/** Events that are shown on the axis at most; the newest. */
const EVENTS = 200;
/** Marks that are read out below the plot. */
const LISTED = 12;

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

/** A value once it has not changed for a while. */
function useRested<T>(value: T, ms: number): T {
  const [rested, setRested] = useState(value);
  useEffect(() => {
    const timer = setTimeout(() => setRested(value), ms);
    return () => clearTimeout(timer);
  }, [value]);
  return rested;
}

export function Trends() {
  const asked = useMemo(fromAddress, []);
  const all = useLoaded(() => get<Series[]>("series"), []);
  const [picked, setPicked] = useState<number[] | undefined>(asked.ids);
  const [range, setRange] = useState<Range>(() => asked.range ?? { from: newest() - RANGES.d1, to: newest() });
  const [isChoosing, setChoosing] = useState(false);
  const rested = useRested(range, REST_MS);
  useEffect(() => {
    if (all.value && picked === undefined) setPicked(firstPick(all.value));
  }, [all.value]);
  useEffect(() => {
    if (picked) history.replaceState(null, "", `/trends?s=${picked.join(",")}&from=${rested.from}&to=${rested.to}`);
  }, [picked, rested]);
  const chosen = (picked ?? []).flatMap((id) => all.value?.filter((series) => series.id === id) ?? []);
  return (
    <>
      <Waits of={all} />
      {/* On a phone all that chooses stands behind one button, so that the plot is what is seen first. */}
      <button type="button" class="small choosing no-print" aria-expanded={isChoosing} aria-controls="choosing" onClick={() => setChoosing(!isChoosing)}>
        {w.choose(moment(range.from, stationNow.peek()), moment(range.to, stationNow.peek()))}
      </button>
      <div id="choosing" class={isChoosing ? "chosen open" : "chosen"}>
        {all.value && <Pick all={all.value} picked={picked ?? []} onPick={setPicked} />}
        <RangeForm range={range} newest={newest} onRange={setRange} />
      </div>
      {all.value && chosen.length === 0 && <p class="calm">{w.none}</p>}
      {chosen.length > 0 && <Shown chosen={chosen} range={range} rested={rested} isChoosing={isChoosing} onRange={setRange} />}
    </>
  );
}

interface ShownProps {
  chosen: Series[];
  range: Range;
  /** The range once it has rested. */
  rested: Range;
  /** On a phone what chooses is shown. */
  isChoosing: boolean;
  onRange(range: Range): void;
}

const DAY = RANGES.d1;

/** What the twin expects of a series, or why it expects nothing. */
async function expectedOf({ board, name, is_bit }: Series, { from, to }: Range): Promise<Expectation | string> {
  if (is_bit) return w.noExpectation(named(name));
  try {
    return await get<Expectation>(`boards/${path(board)}/series/expected?signal=${encodeURIComponent(name)}&from=${from}&to=${to}`);
  } catch (error) {
    return `${named(name)}: ${said(error)}`;
  }
}

async function trendsOf(chosen: Series[], { from, to }: Range, width: number): Promise<Trend[]> {
  return Promise.all(chosen.map(({ id }) => get<Trend>(`series/${id}/trend?from=${from}&to=${to}&width=${width}`)));
}

function Shown({ chosen, range, rested, isChoosing, onRange }: ShownProps) {
  const [isTable, setTable] = useState(false);
  const [hasBefore, setBefore] = useState(false);
  const [hasExpected, setExpected] = useState(false);
  const [cursor, setCursor] = useState<number>();
  const [pin, setPin] = useState<number>();
  const [problem, setProblem] = useState("");
  const place = useRef<HTMLElement>(null);
  const ask = around(rested, newest());
  const ids = chosen.map(({ id }) => id).join();
  // As much again lies on both sides, so that a column is about two pixels wide.
  const width = Math.round(Math.max(240, Math.min(1.2 * innerWidth, 1600)));
  const trends = useLoaded(async () => {
    const [now, before] = await Promise.all([
      trendsOf(chosen, ask, width),
      hasBefore ? trendsOf(chosen, { from: ask.from - DAY, to: ask.to - DAY }, width) : undefined,
    ]);
    performance.clearMarks("trends:data");
    performance.mark("trends:data");
    return { ids, toMs: ask.to, now, before };
  }, [ids, ask.from, ask.to, hasBefore]);
  // Asked for by itself: the twin takes a while at first, and knows nothing of some signals.
  const expected = useLoaded(
    async () => (hasExpected ? { ids, of: await Promise.all(chosen.map((series) => expectedOf(series, ask))) } : undefined),
    [ids, ask.from, ask.to, hasExpected],
  );
  const notes = useLoaded(() => get<Note[]>(`notes?from=${ask.from}&to=${ask.to}`), [ask.from, ask.to]);
  const events = useLoaded(() => get<EventRow[]>(`events?from=${ask.from}&to=${ask.to}&limit=${EVENTS}`), [ask.from, ask.to]);
  const units = system.value;
  const made = useMemo(() => {
    const loaded = trends.value;
    if (!loaded || loaded.ids !== ids) return undefined;
    const grid = gridOf(loaded.now, loaded.toMs);
    const at = times(grid);
    const read = loaded.now.flatMap((trend, n) => {
      const series = chosen[n];
      if (!series) return [];
      // What is much of a unit is said in a larger one.
      const as = shownUnit(series.unit, units, largest(trend));
      const of = (one: Trend) => columns(one, grid, as.factor, as.offset ?? 0);
      const earlier = loaded.before?.[n];
      const told = expected.value?.ids === ids ? expected.value.of[n] : undefined;
      const lay = (values: (number | null)[]) => (typeof told === "object" ? onColumns(told.t, values, at, as.factor, as.offset ?? 0) : []);
      const wanted = typeof told === "object" ? { mean: lay(told.values), low: lay(told.low), high: lay(told.high) } : undefined;
      return [{ series, as, n, columns: of(trend), before: earlier && of(later(earlier, DAY)).mean, wanted }];
    });
    return { at, stepMs: grid.stepMs, read };
  }, [trends.value, expected.value, ids, units]);
  const groups = useMemo(() => {
    const groups = new Map<string, NonNullable<typeof made>["read"]>();
    for (const one of made?.read ?? []) {
      const key = one.series.is_bit ? "bit" : one.as.unit;
      groups.set(key, [...(groups.get(key) ?? []), one]);
    }
    return [...groups].map(([key, list]) => ({
      key,
      list,
      drawn: list.map(({ series, n, columns, before, wanted }): Drawn => ({ name: named(series.name), n, columns, before, expected: wanted })),
    }));
  }, [made]);
  const marks = useMemo(() => marksOf(events.value ?? [], notes.value ?? []), [events.value, notes.value]);
  const [first, after] = useMemo(() => (made ? within(made.at, rested) : [0, 0]), [made, rested]);
  const wordsOf = (one: Read) => inWords(one, first, after, rested.from, rested.to);
  const seen = marks.filter((mark) => mark.at >= rested.from && mark.at <= rested.to);

  const savePicture = async () => {
    setProblem("");
    try {
      const { picture, save } = await import("../trend/picture.ts");
      const element = place.current;
      const canvases = [...(element?.querySelectorAll<HTMLCanvasElement>(".plot canvas") ?? [])];
      if (!element || canvases.length === 0) return;
      const blob = await picture(
        state.peek()?.station ?? words.product,
        `${w.from} ${moment(rested.from, 0)} ${w.to.toLowerCase()} ${moment(rested.to, 0)}`,
        groups.flatMap(({ key, list }, i) => {
          const canvas = canvases[i];
          const legend = list.map((one, row) => ({ text: one.series.is_bit ? `${row + 1}  ${wordsOf(one)}` : wordsOf(one), n: one.series.is_bit ? undefined : one.n }));
          return canvas ? [{ canvas, unit: key === "bit" ? "" : key, legend }] : [];
        }),
        element,
      );
      save(blob, `trends-${forInput(rested.from).replace(":", "")}.png`);
    } catch (error) {
      setProblem(said(error));
    }
  };

  return (
    <section ref={place} aria-label={words.viewTitles.trends} aria-busy={trends.isLoading}>
      <p class="print-only">
        {w.from} {moment(rested.from, 0)} {w.to.toLowerCase()} {moment(rested.to, 0)}
      </p>
      <div class={`row no-print chosen ${isChoosing ? "open" : ""}`}>
        <button type="button" class="small" aria-pressed={hasBefore} onClick={() => setBefore(!hasBefore)}>
          {w.before}
        </button>
        <button type="button" class="small" aria-pressed={hasExpected} onClick={() => setExpected(!hasExpected)}>
          {w.expected}
        </button>
        <button type="button" class="small" aria-pressed={isTable} onClick={() => setTable(!isTable)}>
          {w.table}
        </button>
      </div>
      <Waits of={trends} />
      {hasExpected && expected.isLoading && <p class="pending">{w.expecting}</p>}
      {hasExpected &&
        expected.value?.of.map((one) => (typeof one === "string" ? <p key={one} class="note">{ended(one)}</p> : null))}
      {made && (
        <>
          {groups.map(({ key, list, drawn }) => (
            <div key={key} class="group">
              <ol class="legend">
                {list.map((one, row) => (
                  <Legend key={one.series.id} read={one} row={row} text={wordsOf(one)} cursor={cursor ?? columnOf(made.at, pin)} at={made.at} />
                ))}
              </ol>
              {!isTable && (
                <Plot
                  at={made.at}
                  stepMs={made.stepMs}
                  range={range}
                  drawn={drawn}
                  unit={key === "bit" ? "" : key}
                  isBit={key === "bit"}
                  marks={marks}
                  pin={pin}
                  colours={colours.value}
                  label={list.map(wordsOf).join(". ")}
                  now={newest}
                  onRange={onRange}
                  onPin={setPin}
                  onCursor={setCursor}
                />
              )}
            </div>
          ))}
          {isTable && <Table read={made.read} at={made.at} stepMs={made.stepMs} range={rested} />}
          {!isTable && (
            <p class="note">
              {w.legend} {hasBefore && w.beforeLegend} {hasExpected && w.expectedLegend} <span class="no-print">{w.hands}</span>
            </p>
          )}
        </>
      )}
      {problem !== "" && (
        <p class="bad" role="alert">
          {problem}
        </p>
      )}
      <div class="row no-print">
        <a class="button small" download href={`/api/v1/export?from=${rested.from}&to=${rested.to}&series=${ids}&format=csv`}>
          {w.csv}
        </a>
        <button type="button" class="small" disabled={isTable} onClick={() => void savePicture()}>
          {w.png}
        </button>
        <button type="button" class="small" onClick={() => print()}>
          {w.print}
        </button>
      </div>
      <Marks list={seen} onChanged={notes.again} />
      {mayAct.value && <NewNote at={pin ?? Math.round((rested.from + rested.to) / 2)} onWritten={notes.again} />}
    </section>
  );
}

/** The column of a moment. */
function columnOf(at: number[], ms: number | undefined): number | undefined {
  if (ms === undefined) return undefined;
  const i = at.findIndex((s) => s * 1000 >= ms);
  return i < 0 ? undefined : i;
}

function Marks({ list, onChanged }: { list: Mark[]; onChanged(): void }) {
  if (list.length === 0) return null;
  const newestFew = list.slice(-LISTED);
  return (
    <>
      <h2>{w.marks}</h2>
      <ol class="marks" start={newestFew[0]?.n ?? 1}>
        {newestFew.map((mark) => (
          <li key={mark.n} value={mark.n}>
            <span class="mark-kind">{words.log.kind[mark.kind]}</span> {moment(mark.at, stationNow.value)}:{" "}
            {mark.kind === "note" ? written(words.log.noteBy(mark.who, mark.text)) : sentence(mark.text)}
            <Photos photos={mark.photos} note={mark.text} onChanged={onChanged} />
          </li>
        ))}
      </ol>
      {list.length > newestFew.length && <p class="note">{w.moreMarks(list.length - newestFew.length)}</p>}
    </>
  );
}

function NewNote({ at, onWritten }: { at: number; onWritten(): void }) {
  const [problem, setProblem] = useState("");
  const [picked, setPicked] = useState<Picked[]>([]);
  const submit = async (event: SubmitEvent) => {
    event.preventDefault();
    const form = event.currentTarget as HTMLFormElement;
    const given = new FormData(form);
    try {
      const problems = await writeNote({ text: text(given, "text"), from_ms: new Date(text(given, "at")).getTime() }, picked);
      form.reset();
      setPicked([]);
      setProblem(problems.join(" "));
      onWritten();
    } catch (error) {
      setProblem(said(error));
    }
  };
  return (
    <details class="no-print">
      <summary>{w.annotate}</summary>
      <form class="row" onSubmit={submit}>
        <label class="field inline">
          <span>{w.time}</span>
          <input key={at} type="datetime-local" name="at" required defaultValue={forInput(at)} />
        </label>
        <label class="field inline grow">
          <span>{words.log.note}</span>
          <input name="text" required={picked.length === 0} maxLength={2000} placeholder={words.log.noteExample} autocomplete="off" />
        </label>
        <PickPhotos picked={picked} onPicked={setPicked} />
        <button type="submit" class="small">
          {words.log.save}
        </button>
      </form>
      <p class="note">{w.annotateHint}</p>
      {problem !== "" && (
        <p class="bad" role="alert">
          {problem}
        </p>
      )}
    </details>
  );
}

interface LegendProps {
  read: Read;
  row: number;
  text: string;
  cursor: number | undefined;
  at: number[];
}

const DASHES = ["", "7 4", "2 3", "9 3 2 3", "14 5"];

function Legend({ read, row, text, cursor, at }: LegendProps) {
  const { series, as, columns, n } = read;
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
      <span>{text}</span>
      {s !== undefined && (
        <b class="cursor" aria-hidden="true">
          {`${moment(s * 1000, newest())}: ${shown(value, series, as)}`}
        </b>
      )}
    </li>
  );
}
