// Care: proof tests and tasks with when they are due; a test is walked through beside the live values, and written down by whoever did it.

import { useEffect, useState } from "preact/hooks";
import { get, path, post, said } from "../api/client.ts";
import type { BoardNow, CareDone, CareItem, CareStep } from "../api/types.ts";
import { ageOf, isOld, stationNow } from "../live.ts";
import { useLoaded } from "../load.ts";
import { At } from "../parts/at.tsx";
import { BoardChoice, Stale, theBoard } from "../parts/boards.tsx";
import { Waits } from "../parts/state.tsx";
import { outputText, signalText } from "../section/values.ts";
import { mayAct } from "../session.ts";
import { system } from "../units.ts";
import { ended, named, sentence, words, written } from "../words.ts";

const w = words.care;

/** From the most urgent on; a shape for each, so that colour is never alone. */
const STATES = ["overdue", "due", "soon", "later"] as const;
const SIGN: Record<CareItem["state"], string> = { overdue: "▲", due: "△", soon: "◇", later: "○" };

const title = (item: CareItem) => sentence(item.title).replace(/\.$/, "");

export function Care() {
  const board = theBoard();
  const name = board?.name ?? "";
  const all = useLoaded(() => (name === "" ? Promise.resolve(undefined) : get<CareItem[]>(`care?board=${encodeURIComponent(name)}`)), [name]);
  const done = useLoaded(() => (name === "" ? Promise.resolve(undefined) : get<CareDone[]>(`boards/${path(name)}/care`)), [name]);
  const [doing, setDoing] = useState<string>();
  if (!board) return <p class="pending">{words.waitingForStation}</p>;
  const item = all.value?.find(({ id }) => id === doing);
  return (
    <>
      <BoardChoice />
      <Stale board={board} />
      <Waits of={all} />
      {item && (
        <Doing
          key={item.id}
          item={item}
          board={board}
          onEnd={() => {
            setDoing(undefined);
            all.again();
            done.again();
          }}
        />
      )}
      {all.value && (
        <>
          {all.value.length === 0 && <p class="calm">{w.none}</p>}
          {STATES.map((state) => (
            <Group key={state} state={state} list={all.value?.filter((one) => one.state === state) ?? []} onDo={setDoing} />
          ))}
          <p class="row no-print">
            <button type="button" class="small" onClick={() => print()}>
              {words.trends.print}
            </button>
          </p>
        </>
      )}
      {done.value && done.value.length > 0 && <Past list={done.value} titles={new Map(all.value?.map(({ id, title }) => [id, title]))} />}
    </>
  );
}

function Group({ state, list, onDo }: { state: CareItem["state"]; list: CareItem[]; onDo(id: string): void }) {
  if (list.length === 0) return null;
  return (
    <section aria-labelledby={`care-${state}`}>
      <h2 id={`care-${state}`}>
        {w.states[state]} ({list.length})
      </h2>
      <ul class="sentences">
        {list.map((item) => (
          <li key={item.id} class="line">
            <div>
              <p>
                <span class={`sign ${state}`} aria-hidden="true">
                  {SIGN[state]}
                </span>{" "}
                <b>{title(item)}</b> {item.is_failed && <b class="mark">{w.failed}</b>}
              </p>
              <p class="note">
                {ended([w.kinds[item.kind], item.due && w.due(item.due), w.every(item.every), item.run_h !== undefined && w.runH(item.run_h)].filter(Boolean).join("; "))}{" "}
                {item.last_ms !== undefined ? (
                  <>
                    {w.last} <At ms={item.last_ms} /> {item.last_by && w.by(item.last_by)}
                  </>
                ) : (
                  w.never
                )}
              </p>
              {item.caution && <p class="note">{sentence(item.caution)}</p>}
              <details class="no-print">
                <summary>{item.steps.length > 0 ? w.steps(item.steps.length) : w.how}</summary>
                {item.steps.length > 0 && (
                  <ol>
                    {item.steps.map((step) => (
                      <li key={step.text}>{sentence(step.text)}</li>
                    ))}
                  </ol>
                )}
                <p class="note">{sentence(item.how)}</p>
              </details>
            </div>
            {mayAct.value && (
              <button type="button" class="small" aria-label={w.doOf(item.title)} onClick={() => onDo(item.id)}>
                {w.do}
              </button>
            )}
          </li>
        ))}
      </ul>
    </section>
  );
}

/** What the board says of a step now: its text, and whether it is what the step wants. */
export function shownOf(step: CareStep, board: BoardNow): { text: string; isSeen: boolean } | undefined {
  if (step.name === undefined) return undefined;
  if (step.watch === "signal") {
    const signal = board.signals.find((one) => one.name === step.name);
    if (!signal) return undefined;
    const isOn = signal.value !== undefined && signal.value !== 0;
    return { text: signalText(signal, system.value), isSeen: signal.quality === "good" && step.becomes !== undefined && isOn === step.becomes };
  }
  if (step.watch === "output") {
    const drive = board.drives.find((one) => one.name === step.name);
    if (!drive) return undefined;
    const isOn = drive.output !== undefined && drive.output !== 0;
    return { text: outputText(drive), isSeen: drive.output !== undefined && step.becomes !== undefined && isOn === step.becomes };
  }
  if (step.watch === "trip") {
    const isLatched = board.trips.some((trip) => (trip.id === step.name || trip.actuator === step.name) && trip.is_latched);
    return { text: isLatched ? w.tripped : w.notTripped, isSeen: step.becomes === undefined ? isLatched : isLatched === step.becomes };
  }
  return undefined;
}

function Doing({ item, board, onEnd }: { item: CareItem; board: BoardNow; onEnd(): void }) {
  // By the station's clock, for it searches the board's records from then on.
  const [begun] = useState(() => Math.round(stationNow.peek()));
  const [seen, setSeen] = useState<ReadonlySet<number>>(new Set());
  const [checked, setChecked] = useState<ReadonlySet<number>>(new Set());
  const [outcome, setOutcome] = useState<CareDone>();
  const [problem, setProblem] = useState("");
  const [isBusy, setBusy] = useState(false);
  const now = stationNow.value;
  const old = isOld(board, now);
  useEffect(() => {
    // What showed once while the test went on was seen, even if it is over.
    const shown = item.steps.flatMap((step, i) => (!old && (ageOf(board, now) ?? Infinity) < 60_000 && shownOf(step, board)?.isSeen ? [i] : []));
    if (shown.some((i) => !seen.has(i))) setSeen(new Set([...seen, ...shown]));
  }, [board]);
  const write = async (passed: boolean, form: HTMLFormElement) => {
    setBusy(true);
    setProblem("");
    try {
      const note = String(new FormData(form).get("note") ?? "").trim();
      setOutcome(await post<CareDone>(`boards/${path(board.name)}/care`, { item: item.id, passed, note, ...(item.steps.length > 0 ? { begun_ms: begun } : {}) }));
    } catch (error) {
      setProblem(said(error));
    }
    setBusy(false);
  };
  return (
    <section aria-labelledby="doing" class="once">
      <h2 id="doing">{title(item)}</h2>
      {item.caution && <p class="caution">{sentence(item.caution)}</p>}
      {outcome ? (
        <>
          <p class={outcome.passed ? "good" : "bad"}>{outcome.passed ? w.passed : w.notPassed}</p>
          {outcome.seen !== "" && <p>{w.seen(sentence(outcome.seen))}</p>}
          <button type="button" class="main" onClick={onEnd}>
            {words.close}
          </button>
        </>
      ) : (
        <>
          {item.steps.length > 0 && <p class="note">{w.watching}</p>}
          <ol class="steps">
            {item.steps.map((step, i) => {
              const shown = shownOf(step, board);
              return (
                <li key={step.text}>
                  <label class="check">
                    <input
                      type="checkbox"
                      checked={checked.has(i)}
                      onChange={() => {
                        const next = new Set(checked);
                        if (!next.delete(i)) next.add(i);
                        setChecked(next);
                      }}
                    />
                    <span>{sentence(step.text)}</span>
                  </label>
                  {shown && (
                    <p class="note">
                      {named(step.name ?? "")}: <b class={old ? "doubtful" : ""}>{shown.text}</b> {step.becomes !== undefined && w.wanted(step.becomes, step.within_s)}{" "}
                      {seen.has(i) && <b class="mark">✓ {w.wasSeen}</b>}
                    </p>
                  )}
                </li>
              );
            })}
          </ol>
          <p class="note">{sentence(item.how)}</p>
          {problem !== "" && (
            <p class="bad" role="alert">
              {problem}
            </p>
          )}
          <form
            onSubmit={(event: SubmitEvent) => {
              event.preventDefault();
              void write((event.submitter as HTMLButtonElement).value === "passed", event.currentTarget as HTMLFormElement);
            }}
          >
            <label class="field">
              <span>{w.note}</span>
              <input name="note" maxLength={500} placeholder={w.noteExample} autocomplete="off" />
            </label>
            <div class="row">
              <button type="submit" value="passed" class="main" disabled={isBusy}>
                {item.kind === "task" ? w.isDone : w.passes}
              </button>
              <button type="submit" value="failed" disabled={isBusy}>
                {w.fails}
              </button>
              <button type="button" disabled={isBusy} onClick={onEnd}>
                {words.cancel}
              </button>
            </div>
          </form>
        </>
      )}
    </section>
  );
}

/** Entries that are shown at first. */
const SHOWN = 12;

function Past({ list, titles }: { list: CareDone[]; titles: Map<string, string> }) {
  const [n, setN] = useState(SHOWN);
  return (
    <section aria-labelledby="care-past">
      <h2 id="care-past">{w.past}</h2>
      <ul class="sentences">
        {list.slice(0, n).map((one) => (
          <li key={one.id}>
            <At ms={one.at_ms} />: {ended(`${titles.get(one.item) ?? named(one.item)}`)} <b>{one.passed ? w.passedShort : w.failedShort}</b> {w.by(one.who)}{" "}
            {one.note !== "" && written(one.note)} {one.seen !== "" && <span class="note">{sentence(one.seen)}</span>}
          </li>
        ))}
      </ul>
      {list.length > n && (
        <button type="button" class="small" onClick={() => setN(n + 4 * SHOWN)}>
          {words.log.more}
        </button>
      )}
    </section>
  );
}
