// The twin and the tank: what drifts away from its twin and where to look, each quantity over time; the parameters of the file with what the log says of them.

import { useState } from "preact/hooks";
import { get, path, post, said } from "../api/client.ts";
import type { Fit, FittedTwin, TwinCourse, TwinParameter } from "../api/types.ts";
import { open } from "../design/desk.ts";
import { useLoaded } from "../load.ts";
import { At } from "../parts/at.tsx";
import { BoardChoice, Stale, theBoard } from "../parts/boards.tsx";
import { Waits } from "../parts/state.tsx";
import { go } from "../router.ts";
import { mayAct } from "../session.ts";
import { Course } from "../trend/course.tsx";
import { named, sentence, words } from "../words.ts";

const w = words.twin;

/** From the most urgent on; a shape for each, so that colour is never alone. */
const STATES = ["drifting", "steady", "learning", "not-judged"] as const;
const SIGN: Record<TwinCourse["state"], string> = { drifting: "△", steady: "○", learning: "◌", "not-judged": "–" };

const title = (course: TwinCourse, board: string) => w.quantities[course.quantity](course.part === board ? "" : named(course.part));

export function Twin() {
  const board = theBoard();
  const name = board?.name ?? "";
  const fit = useLoaded(() => (name === "" ? Promise.resolve(undefined) : get<Fit>(`boards/${path(name)}/fit`)), [name]);
  const [told, setTold] = useState("");
  if (!board) return <p class="pending">{words.waitingForStation}</p>;
  const now = fit.value;
  const tell = (said: string) => {
    setTold(said);
    fit.again();
  };
  return (
    <>
      <BoardChoice />
      <Stale board={board} />
      <p>{w.what}</p>
      {told !== "" && (
        <p class="good" role="status">
          {told}
        </p>
      )}
      <Waits of={fit} />
      {now && now.to_ms === undefined && <p class="calm">{w.early}</p>}
      {now?.to_ms !== undefined && now.quantities.length === 0 && <p class="calm">{w.none}</p>}
      {now &&
        STATES.map((state) => {
          const list = now.quantities.filter((one) => one.state === state);
          if (list.length === 0) return null;
          return (
            <section key={state} aria-labelledby={`twin-${state}`}>
              <h2 id={`twin-${state}`}>{w.states[state]}</h2>
              <div class="courses">
                {list.map((course) => (
                  <Quantity key={`${course.quantity} ${course.part}`} course={course} board={board.name} onSaid={tell} />
                ))}
              </div>
            </section>
          );
        })}
      {now && now.quantities.some((one) => one.at_ms.length > 0) && <p class="note">{w.legend}</p>}
      {now?.fitted && <Parameters fitted={now.fitted} isUsed={now.is_used} board={board.name} />}
      {now && !now.fitted && (
        <section aria-labelledby="fitted">
          <h2 id="fitted">{w.fitted}</h2>
          <p class="calm">{w.notFitted}</p>
        </section>
      )}
    </>
  );
}

function Quantity({ course, board, onSaid }: { course: TwinCourse; board: string; onSaid(words: string): void }) {
  const [isSaying, setSaying] = useState(false);
  const name = title(course, board);
  const points = course.at_ms.map((at_ms, i) => ({ at_ms, value: course.value[i] ?? 0 }));
  const line = points.flatMap(({ at_ms }, i) => {
    const value = course.expected[i];
    return typeof value === "number" ? [{ at_ms, value }] : [];
  });
  const shown = (value: number) => shownIn(value, course.unit);
  return (
    <article>
      <h3>
        <span class={course.state === "drifting" ? "sign due" : "sign"} aria-hidden="true">
          {SIGN[course.state]}
        </span>{" "}
        {name}
      </h3>
      <p>{course.state === "drifting" ? <b>{sentence(course.words)}</b> : sentence(course.words)}</p>
      {course.act && <p>{course.act}</p>}
      {course.caution && <p class="caution">{course.caution}</p>}
      {points.length > 0 && (
        <Course
          label={w.course(name, points.length, shown(Math.min(...course.value)), shown(Math.max(...course.value)))}
          points={points}
          line={line}
          marks={course.since_ms === undefined ? [] : [course.since_ms]}
          format={(value) => shownIn(value, "")}
        />
      )}
      {course.learned_ms && (
        <p class="note">
          {w.learned} <At ms={course.learned_ms[0]} /> {w.to} <At ms={course.learned_ms[1]} />
          {course.spread !== undefined && w.spread(Math.round(course.spread * 100))}
        </p>
      )}
      {mayAct.value && (course.state === "drifting" || course.state === "steady") && !isSaying && (
        <button type="button" class="small no-print" aria-label={w.rightOf(name)} onClick={() => setSaying(true)}>
          {w.right}
        </button>
      )}
      {isSaying && <Right course={course} board={board} onSaid={onSaid} onEnd={() => setSaying(false)} />}
    </article>
  );
}

function Right({ course, board, onSaid, onEnd }: { course: TwinCourse; board: string; onSaid(words: string): void; onEnd(): void }) {
  const [problem, setProblem] = useState("");
  const [isBusy, setBusy] = useState(false);
  // What is of the whole tank is named by its quantity; of a heater the quantity would be that of all.
  const part = course.part === board ? course.quantity : course.part;
  const say = async (form: HTMLFormElement) => {
    setBusy(true);
    setProblem("");
    try {
      const told = await post<{ words: string }>(`boards/${path(board)}/fit/right`, { part, why: String(new FormData(form).get("why") ?? "").trim() });
      onEnd();
      onSaid(told.words);
    } catch (error) {
      setProblem(said(error));
    }
    setBusy(false);
  };
  return (
    <form
      class="once"
      onSubmit={(event: SubmitEvent) => {
        event.preventDefault();
        void say(event.currentTarget as HTMLFormElement);
      }}
    >
      <p class="note">{w.rightMeans}</p>
      <label class="field">
        <span>{w.why}</span>
        <input name="why" required maxLength={200} placeholder={w.whyExample} />
      </label>
      {problem !== "" && (
        <p class="bad" role="alert">
          {problem}
        </p>
      )}
      <div class="row">
        <button type="submit" class="main" disabled={isBusy}>
          {w.say}
        </button>
        <button type="button" disabled={isBusy} onClick={onEnd}>
          {words.cancel}
        </button>
      </div>
    </form>
  );
}

function Parameters({ fitted, isUsed, board }: { fitted: FittedTwin; isUsed: boolean; board: string }) {
  const [problem, setProblem] = useState("");
  const toDesk = async () => {
    setProblem("");
    try {
      const { text } = await get<{ text: string }>(`boards/${path(board)}/fit/file`);
      open({ kind: "board", name: board, board, text });
      go("design");
    } catch (error) {
      setProblem(said(error));
    }
  };
  return (
    <section aria-labelledby="fitted">
      <h2 id="fitted">{w.fitted}</h2>
      <p>
        {w.reach} <At ms={fitted.from_ms} /> {w.to} <At ms={fitted.to_ms} />. {isUsed ? w.used : w.notUsed}
      </p>
      <ul class="sentences parameters">
        {fitted.parameters.map((one) => (
          <Parameter key={`${one.what} ${one.part ?? ""}`} one={one} />
        ))}
      </ul>
      {fitted.notes.map((note) => (
        <p key={note} class="note">
          {sentence(note)}
        </p>
      ))}
      {fitted.edits.length > 0 && (
        <details>
          <summary>{w.edits(fitted.edits.length)}</summary>
          <ul>
            {fitted.edits.map(({ path, value }) => (
              <li key={path}>
                <code>
                  {path} = {value}
                </code>
              </li>
            ))}
          </ul>
          {mayAct.value && (
            <button type="button" class="small no-print" onClick={() => void toDesk()}>
              {w.toDesk}
            </button>
          )}
          {problem !== "" && (
            <p class="bad" role="alert">
              {problem}
            </p>
          )}
        </details>
      )}
      {fitted.left_over.length > 0 && (
        <>
          <h3>{w.leftOver}</h3>
          <p class="note">{w.leftOverMeans}</p>
          <div class="courses">
            {fitted.left_over.map((one) => {
              const points = one.at_ms.map((at_ms, i) => ({ at_ms, value: (one.measured[i] ?? 0) - (one.model[i] ?? 0) }));
              const ends = points.length > 1 ? [points[0]!, points[points.length - 1]!].map(({ at_ms }) => ({ at_ms, value: 0 })) : [];
              const shown = (value: number) => shownIn(value, one.unit);
              const values = points.map(({ value }) => value);
              return (
                <article key={one.name}>
                  <h4>
                    {named(one.name.replaceAll("`", ""))} ({one.unit})
                  </h4>
                  {points.length > 0 && (
                    <Course
                      label={w.course(named(one.name), points.length, shown(Math.min(...values)), shown(Math.max(...values)))}
                      points={points}
                      line={ends}
                      format={(value) => shownIn(value, "")}
                    />
                  )}
                </article>
              );
            })}
          </div>
        </>
      )}
    </section>
  );
}

/** Three digits that count. */
function shownIn(value: number, unit: string): string {
  const digits = Math.abs(value) >= 99.5 ? 0 : Math.abs(value) >= 9.95 ? 1 : 2;
  return `${value.toFixed(digits).replace("-", "−")}${unit === "" ? "" : `\u00a0${unit}`}`;
}

function Parameter({ one }: { one: TwinParameter }) {
  const shown = (value: number) => shownIn(value, one.unit);
  const { low, high } = one;
  const isBounded = low !== undefined && high !== undefined && one.unknown === undefined;
  const differs = isBounded && (one.file < low || one.file > high);
  const name = `${named(one.what)}${one.part ? `, ${named(one.part)}` : ""}`;
  return (
    <li>
      <p>
        <b>{name}</b>: {isBounded ? w.found(shown(one.file), shown(one.value), shown(low), shown(high)) : w.untold(shown(one.file))}{" "}
        {differs && <b class="mark">{w.differs}</b>}
      </p>
      {isBounded && <Bar file={one.file} value={one.value} low={low} high={high} label={w.bar(shown(one.file), shown(low), shown(high))} />}
      <p class="note">{sentence(one.unknown ?? one.how)}</p>
      {one.earlier.length > 2 && (
        <Course
          label={w.course(name, one.earlier.length, shown(Math.min(...one.earlier)), shown(Math.max(...one.earlier)))}
          points={one.earlier_ms.map((at_ms, i) => ({ at_ms, value: one.earlier[i] ?? 0 }))}
          format={(value) => shownIn(value, "")}
        />
      )}
    </li>
  );
}

/** The interval as a bar, the file's value as a diamond, what was found as a stroke. */
export function Bar({ file, value, low, high, label }: { file: number; value: number; low: number; high: number; label: string }) {
  const [from, to] = [Math.min(file, low), Math.max(file, high)];
  const reach = Math.max(to - from, 1e-9);
  // Percent, with room for the diamond at both ends.
  const x = (at: number) => `${(4 + (92 * (at - from)) / reach).toFixed(1)}%`;
  return (
    <svg class="interval" height="18" role="img" aria-label={label}>
      <line class="axis" x1="0" x2="100%" y1="9" y2="9" />
      <line class="reach" x1={x(low)} x2={x(high)} y1="9" y2="9" />
      <line class="best" x1={x(value)} x2={x(value)} y1="2" y2="16" />
      <svg x={x(file)} y="9" overflow="visible">
        <path class="file" d="M-5 0L0 -5L5 0L0 5Z" />
      </svg>
    </svg>
  );
}
