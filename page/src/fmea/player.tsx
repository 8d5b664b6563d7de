// A run played on the section: the water moves, the time can be drawn back and forth, and what acted is named when it acts.

import { useEffect, useMemo, useRef, useState } from "preact/hooks";
import { post } from "../api/client.ts";
import type { Act, Look, Replay, Row } from "../api/design.ts";
import { useLoaded } from "../load.ts";
import { Waits } from "../parts/state.tsx";
import { SheetView } from "../section/sheet.tsx";
import { balloons, type Known } from "../section/view.ts";
import { system } from "../units.ts";
import { named, sentence, words } from "../words.ts";
import type { Place } from "./matrix.tsx";
import { actsBy, since, telling, valuesAt } from "./replay.ts";
import { study } from "./study.ts";
import { Traces } from "./traces.tsx";

const w = words.faults;
/** Seconds of the tank in a second of watching. */
const SPEEDS = [60, 600, 3600, 14_400];
/** A run is first played within about so long, s. */
const PLAY_S = 25;
/** What acted stays named so long, ms. */
const NAMED_MS = 3000;
const MOST_TRACES = 4;

interface Props {
  text: string;
  board: string;
  row: Row | undefined;
  place: Place;
  /** Unit of the requirement's margin. */
  unit: string | undefined;
}

export function Player({ text, board, row, place, unit }: Props) {
  const cell = row?.cells.find(({ requirement }) => requirement === place.requirement);
  const of = board ? { board } : {};
  const sheet = useLoaded(() => post<Look>("design/look", { text, ...of }), [text, board]);
  const replay = useLoaded(
    () =>
      post<Replay>("design/replay", {
        text,
        ...place,
        ...(cell?.instant !== undefined ? { instant: cell.instant } : {}),
        ...(cell?.corner !== undefined ? { corner: cell.corner } : {}),
        ...of,
      }),
    [text, board, place.fault, place.requirement, cell?.instant, cell?.corner],
  );
  const isBusy = study.value?.isRunning ?? false;
  useEffect(() => {
    // The station works out one thing at a time: what it put off is asked for again when the study has ended.
    if (!isBusy && replay.problem !== "") replay.again();
  }, [isBusy]);
  return (
    <>
      <Waits of={replay} what={w.replayLoading} />
      <Waits of={sheet} what={words.section.loading} />
      {replay.value && sheet.value?.sheet && !replay.isLoading && (
        <Playing key={`${place.fault} ${place.requirement}`} replay={replay.value} sheet={sheet.value.sheet} unit={unit} />
      )}
    </>
  );
}

function speedFor(replay: Replay): number {
  const end = replay.t[replay.t.length - 1] ?? 0;
  const wanted = Math.min(end, (replay.breach_s ?? end) * 1.5) / PLAY_S;
  return SPEEDS.find((speed) => speed >= wanted) ?? 14_400;
}

function Playing({ replay, sheet, unit }: { replay: Replay; sheet: NonNullable<Look["sheet"]>; unit: string | undefined }) {
  const [from, to] = [replay.t[0] ?? 0, replay.t[replay.t.length - 1] ?? 0];
  const [at, setAt] = useState(from);
  const [isPlaying, setPlaying] = useState(false);
  const [speed, setSpeed] = useState(() => speedFor(replay));
  const [ids, setIds] = useState(() => telling(replay, unit, MOST_TRACES));
  const units = system.value;
  useEffect(() => {
    if (!isPlaying) return;
    let last = performance.now();
    let frame = requestAnimationFrame(function step(now) {
      const by = ((now - last) / 1000) * speed;
      last = now;
      setAt((at) => {
        const next = Math.min(to, at + by);
        if (next >= to) setPlaying(false);
        return next;
      });
      frame = requestAnimationFrame(step);
    });
    return () => cancelAnimationFrame(frame);
  }, [isPlaying, speed]);
  const before = useRef<Map<string, Known>>(undefined);
  const values = useMemo(() => {
    const next = valuesAt(replay, at, units, before.current);
    const old = before.current;
    const isSame = old !== undefined && old.size === next.size && [...next].every(([name, known]) => old.get(name) === known);
    before.current = isSame ? old : next;
    return before.current;
  }, [replay, at, units]);
  const n = actsBy(replay.acts, at);
  const act = useNamed(replay.acts[n - 1], isPlaying);
  const rings = useMemo(() => (act ? balloons([act.id.replace(/[.:].*$/, "")], sheet).map((ring) => ({ ...ring, n: [n] })) : []), [act, sheet]);
  const jump = (to_n: number) => {
    const one = replay.acts[to_n];
    if (one) setAt(Math.max(from, one.t_s));
  };
  const share = to > from ? ((at - from) / (to - from)) * 100 : 0;
  return (
    <div class="player">
      <div class="played">
        <SheetView sheet={sheet} values={values} balloons={rings} isBare>
          <></>
        </SheetView>
        <div class="said" aria-live={isPlaying ? "off" : "polite"}>
          <p class="moment">{since(at)}</p>
          <p class={act ? `act of-${act.what}` : "act"}>{act ? `${w.what[act.what]}: ${sentence(act.text)}` : "\u00a0"}</p>
        </div>
        <div class="row controls" role="group" aria-label={w.controls}>
          <button
            type="button"
            class="small main"
            onClick={() => {
              if (!isPlaying && at >= to) setAt(from);
              setPlaying(!isPlaying);
            }}
          >
            {isPlaying ? `‖ ${w.pause}` : `▶ ${w.play}`}
          </button>
          <button type="button" class="small" aria-label={w.actBefore} disabled={n <= 1} onClick={() => jump(n - 2)}>
            ◂
          </button>
          <button type="button" class="small" aria-label={w.actAfter} disabled={n >= replay.acts.length} onClick={() => jump(n)}>
            ▸
          </button>
          <label class="field inline">
            <span class="aloud">{w.speed}</span>
            <select value={String(speed)} onChange={(event) => setSpeed(Number(event.currentTarget.value))}>
              {SPEEDS.map((one) => (
                <option key={one} value={String(one)}>
                  {w.speeds[one]}
                </option>
              ))}
            </select>
          </label>
        </div>
        <input
          type="range"
          class="scrubber"
          aria-label={w.time}
          aria-valuetext={since(at)}
          min={from}
          max={to}
          step={Math.max(1, replay.step_s)}
          value={at}
          onInput={(event) => setAt(Number(event.currentTarget.value))}
        />
      </div>
      <div class="traces">
        <Traces replay={replay} ids={ids} system={units} />
        <div class="cursor-line" style={{ left: `${share}%` }} aria-hidden="true" />
      </div>
      <details>
        <summary>{w.otherTraces}</summary>
        <div class="choices">
          {replay.signals.map((signal) => (
            <label key={signal.id} class="check">
              <input
                type="checkbox"
                checked={ids.includes(signal.id)}
                onChange={() => setIds(ids.includes(signal.id) ? ids.filter((id) => id !== signal.id) : [...ids, signal.id])}
              />
              {signal.label} {!signal.is_truth && <small class="note">{w.asRead}</small>}
            </label>
          ))}
        </div>
      </details>
      <Acts acts={replay.acts} n={n} leftOut={replay.acts_left_out} onGo={(one) => setAt(one.t_s)} />
      <p class="note">{w.where(named(replay.instant.replaceAll("-", " ")).toLowerCase(), plainCorner(replay.corner))}</p>
    </div>
  );
}

function plainCorner(corner: string): string {
  return corner.replaceAll("_", " ");
}

/** What acted last, for as long as it takes to read it; at rest always. */
function useNamed(act: Act | undefined, isPlaying: boolean): Act | undefined {
  const [shown, setShown] = useState(act);
  useEffect(() => {
    setShown(act);
    if (!isPlaying || !act) return;
    const timer = setTimeout(() => setShown(undefined), NAMED_MS);
    return () => clearTimeout(timer);
  }, [act, isPlaying]);
  return isPlaying ? shown : act;
}

/** Rows of acts that are shown around the moment. */
const AROUND = 60;

function Acts({ acts, n, leftOut, onGo }: { acts: Act[]; n: number; leftOut: number; onGo(act: Act): void }) {
  const [isAll, setAll] = useState(false);
  // Rules switch all day long; what is news is everything else.
  const list = acts.map((act, i) => ({ act, i })).filter(({ act }) => isAll || act.what !== "rule");
  const shown = list.slice(0, isAll ? 4 * AROUND : AROUND);
  return (
    <section aria-labelledby="acts">
      <h3 id="acts">{w.acts}</h3>
      <label class="check no-print">
        <input type="checkbox" checked={isAll} onChange={() => setAll(!isAll)} />
        {w.withRules}
      </label>
      <ol class="acts">
        {shown.map(({ act, i }) => (
          <li key={i} class={`of-${act.what}${i < n ? " past" : ""}${i === n - 1 ? " now" : ""}`}>
            <button type="button" class="link" onClick={() => onGo(act)}>
              {since(act.t_s)}
            </button>{" "}
            <b>{w.what[act.what]}</b>: {sentence(act.text)}
          </li>
        ))}
      </ol>
      {(list.length > shown.length || leftOut > 0) && <p class="note">{w.more(list.length - shown.length + leftOut)}</p>}
    </section>
  );
}
