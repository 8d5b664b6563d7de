// Hand and procedures: what every output does and why, a sentence each; what a person may ask of the board, and what came of it.

import { useState } from "preact/hooks";
import { path, post } from "../api/client.ts";
import type { BoardNow, DriveNow, Order, ProcedureNow, TripNow } from "../api/types.ts";
import { isOld, state, stationNow } from "../live.ts";
import { At } from "../parts/at.tsx";
import { Ask, text, Why } from "../parts/ask.tsx";
import { BoardChoice, Stale, theBoard } from "../parts/boards.tsx";
import { Outcome } from "../parts/outcome.tsx";
import { outputText } from "../section/values.ts";
import { mayAct } from "../session.ts";
import { clock, moment, span } from "../time.ts";
import { named, plain, sentence, words } from "../words.ts";

export function Hand() {
  const board = theBoard();
  if (!state.value || !board) return <p class="pending">{words.waitingForStation}</p>;
  const latched = board.trips.filter((trip) => trip.is_latched);
  return (
    <>
      <BoardChoice />
      <Stale board={board} />
      {!mayAct.value && <p class="note">{words.hand.lookOnly}</p>}
      {latched.length > 0 && (
        <section aria-labelledby="trips">
          <h2 id="trips">{words.hand.trips}</h2>
          <ul class="sentences">
            {latched.map((trip) => (
              <Trip key={trip.id} board={board} trip={trip} />
            ))}
          </ul>
        </section>
      )}
      <section aria-labelledby="procedures">
        <h2 id="procedures">{words.hand.procedures}</h2>
        {board.procedures.length === 0 && <p class="note">{words.hand.noProcedures}</p>}
        <ul class="sentences">
          {board.procedures.map((procedure) => (
            <Procedure key={procedure.name} board={board} procedure={procedure} />
          ))}
        </ul>
      </section>
      <section aria-labelledby="drives">
        <h2 id="drives">{words.hand.drives}</h2>
        <p class="note">{words.hand.intro}</p>
        <ul class="sentences">
          {board.drives.map((drive) => (
            <Drive key={drive.name} board={board} drive={drive} />
          ))}
        </ul>
      </section>
    </>
  );
}

/** The last outcome stands until the person puts it away. */
function Last({ order, drive, onAway }: { order: Order | undefined; drive?: DriveNow; onAway(): void }) {
  return (
    <div aria-live="polite">
      {order && (
        <div class="last">
          <Outcome order={order} drive={drive} />
          <button type="button" class="small" onClick={onAway}>
            {words.hand.dismiss}
          </button>
        </div>
      )}
    </div>
  );
}

function Drive({ board, drive }: { board: BoardNow; drive: DriveNow }) {
  const [isAsking, setAsking] = useState(false);
  const [order, setOrder] = useState<Order>();
  const doubtful = isOld(board, stationNow.value);
  const put = (body: object) => post<Order>(`boards/${path(board.name)}/hand`, { drive: drive.name, ...body });
  const isHand = drive.hand_left_ms > 0;
  return (
    <li class={`${drive.by}${doubtful ? " doubtful" : ""}`} data-drive={drive.name}>
      <div class="line">
        <p>
          <b>{named(drive.name)}:</b> {outputText(drive)}, {plain(drive.why)}
          {drive.hand && ` ${words.hand.handBy(drive.hand.who, drive.hand.why)}`}
          {isHand && `; ${words.hand.ends(clock(stationNow.value + drive.hand_left_ms))}`}
          {drive.since_ms !== undefined && (
            <span class="note">
              {" "}
              ({words.hand.since}
              <At ms={drive.since_ms} />)
            </span>
          )}
        </p>
        {mayAct.value && (
          <button type="button" class="small" onClick={() => setAsking(true)} aria-label={words.hand.change(named(drive.name))}>
            {words.hand.button}
          </button>
        )}
      </div>
      <Last order={order} drive={drive} onAway={() => setOrder(undefined)} />
      {isAsking && (
        <Ask
          title={words.hand.change(named(drive.name))}
          go={words.hand.go}
          waiting={words.hand.waiting}
          onClose={() => setAsking(false)}
          send={async (form) => {
            const isBack = text(form, "act") === "back";
            const value = Number(text(form, "value"));
            const why = text(form, "why");
            setOrder(await put(isBack ? { why } : { value, minutes: Number(text(form, "minutes")), why }));
            return undefined;
          }}
        >
          <p>
            {sentence(`${outputText(drive)}, ${drive.why}`)}
          </p>
          <HandForm drive={drive} isHand={isHand} />
        </Ask>
      )}
    </li>
  );
}

function HandForm({ drive, isHand }: { drive: DriveNow; isHand: boolean }) {
  const [isBack, setBack] = useState(false);
  const isOn = (drive.output ?? 0) !== 0;
  return (
    <>
      {isHand && (
        <label class="check">
          <input type="checkbox" name="act" value="back" checked={isBack} onChange={(event) => setBack(event.currentTarget.checked)} />
          {words.hand.back}
        </label>
      )}
      {!isBack && (
        <div class="asked">
          {drive.is_modulated ? (
            <label class="field inline">
              <span>
                {words.hand.hold} {words.hand.at}
              </span>
              <input type="number" name="value" min={0} max={100} step={1} required defaultValue={String(Math.round(drive.output ?? 0))} inputMode="numeric" />
              <span>{words.hand.percent}</span>
            </label>
          ) : (
            <label class="field inline">
              <span>{words.hand.hold}</span>
              <select name="value" defaultValue={isOn ? "0" : "1"}>
                <option value="0" selected={isOn}>
                  {words.hand.off}
                </option>
                <option value="1" selected={!isOn}>
                  {words.hand.on}
                </option>
              </select>
            </label>
          )}
          <label class="field inline">
            <span>{words.hand.forTime}</span>
            <input type="number" name="minutes" min={1} max={720} step={1} required defaultValue="20" inputMode="numeric" />
            <span>{words.hand.minutes}</span>
          </label>
        </div>
      )}
      <label class="field">
        <span>{words.hand.because}</span>
        <input name="why" required maxLength={200} placeholder={words.hand.whyExample} autocomplete="off" />
      </label>
    </>
  );
}

function Trip({ board, trip }: { board: BoardNow; trip: TripNow }) {
  const [isAsking, setAsking] = useState(false);
  const [order, setOrder] = useState<Order>();
  const now = stationNow.value;
  return (
    <li class="trip">
      <div class="line">
        <p>{words.hand.trip(named(trip.actuator), trip.cause, trip.since_ms === undefined ? "?" : moment(trip.since_ms, now))}</p>
        {mayAct.value && (
          <button type="button" class="small" onClick={() => setAsking(true)}>
            {words.hand.resetTrip}
          </button>
        )}
      </div>
      <Last order={order} onAway={() => setOrder(undefined)} />
      {isAsking && (
        <Ask
          title={words.hand.resetTitle(named(trip.actuator))}
          go={words.hand.resetGo}
          waiting={words.hand.waiting}
          onClose={() => setAsking(false)}
          send={async (form) => {
            setOrder(await post<Order>(`boards/${path(board.name)}/trips/${path(trip.id)}/reset`, { why: text(form, "why") }));
            return undefined;
          }}
        >
          <p>{words.hand.resetDoes}</p>
          <Why example={words.hand.whyExample} />
        </Ask>
      )}
    </li>
  );
}

function Procedure({ board, procedure }: { board: BoardNow; procedure: ProcedureNow }) {
  const [asking, setAsking] = useState<"start" | "stop">();
  const [order, setOrder] = useState<Order>();
  const [isBusy, setBusy] = useState(false);
  const [problem, setProblem] = useState("");
  const step = procedure.steps[procedure.step - 1];
  const tell = (act: string, why: string) =>
    post<Order>(`boards/${path(board.name)}/procedures/${path(procedure.name)}`, { act, why });
  const confirm = async () => {
    setBusy(true);
    setProblem("");
    try {
      setOrder(await tell("confirm", words.hand.stepDone));
    } catch (error) {
      setProblem(String(error instanceof Error ? error.message : error));
    }
    setBusy(false);
  };
  return (
    <li class={step ? "procedure" : ""}>
      <div class="line">
        <p>
          <b>{procedure.title}:</b>{" "}
          {step
            ? `${words.hand.step(procedure.step, procedure.steps.length)}. ${sentence(step.text)} ${sentence(words.hand.atMost(span(step.longest_s * 1000)))}`
            : words.hand.notRunning}
        </p>
        {mayAct.value && (
          <div class="row">
            {step?.confirm && (
              <button type="button" class="small main" disabled={isBusy} onClick={confirm}>
                {words.hand.confirm}
              </button>
            )}
            <button type="button" class="small" onClick={() => setAsking(step ? "stop" : "start")}>
              {step ? words.hand.stop : words.hand.start}
            </button>
          </div>
        )}
      </div>
      {problem !== "" && <p class="bad">{problem}</p>}
      <Last order={order} onAway={() => setOrder(undefined)} />
      {asking && (
        <Ask
          title={asking === "start" ? words.hand.startTitle(procedure.title) : words.hand.stopTitle(procedure.title)}
          go={asking === "start" ? words.hand.startGo : words.hand.stopGo}
          waiting={words.hand.waiting}
          onClose={() => setAsking(undefined)}
          send={async (form) => {
            setOrder(await tell(asking, text(form, "why")));
            return undefined;
          }}
        >
          <ol>
            {procedure.steps.map((one) => (
              <li key={one.text}>
                {sentence(one.text)}{" "}
                <span class="note">
                  ({words.hand.atMost(span(one.longest_s * 1000))}
                  {one.confirm && `, ${words.hand.confirms}`})
                </span>
              </li>
            ))}
          </ol>
          <Why example={words.hand.whyExample} />
        </Ask>
      )}
    </li>
  );
}
