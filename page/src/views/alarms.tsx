// The book of alarms by IEC 62682: what stands, who took it, what was put aside until when, and how many there were.

import { useState } from "preact/hooks";
import { get, path, post, said } from "../api/client.ts";
import type { AlarmNow, AlarmReport, Way } from "../api/types.ts";
import { alarmChanges, needsAcknowledgement, state, stationNow } from "../live.ts";
import { useLoaded } from "../load.ts";
import { Ask, text } from "../parts/ask.tsx";
import { Waits } from "../parts/state.tsx";
import { mayAct } from "../session.ts";
import { moment, span } from "../time.ts";
import { ended, sentence, words } from "../words.ts";

export function Alarms() {
  const [withAll, setAll] = useState(false);
  const all = useLoaded(
    () => (withAll ? get<AlarmNow[]>("alarms?all=true") : Promise.resolve(undefined)),
    [withAll, alarmChanges.value],
  );
  const known = state.value;
  if (!known) return <p class="pending">{words.waitingForStation}</p>;
  const shown = withAll && all.value ? all.value : known.alarms;
  return (
    <>
      <section aria-labelledby="book">
        <h2 id="book">{words.alarms.book}</h2>
        {known.alarms.length === 0 && <p class="calm">{words.alarms.none}</p>}
        {withAll && <Waits of={all} />}
        <ul class="alarms">
          {shown.map((alarm) => (
            <Alarm key={alarm.id} alarm={alarm} />
          ))}
        </ul>
        <label class="check">
          <input type="checkbox" checked={withAll} onChange={(event) => setAll(event.currentTarget.checked)} />
          {words.alarms.all}
        </label>
      </section>
      <Ways />
      <Report />
    </>
  );
}

/** A shape for each priority, so that colour is never alone. */
function Sign({ priority }: { priority: AlarmNow["priority"] }) {
  const shape = { high: "M8 1L15 14H1Z", medium: "M8 1L15 8L8 15L1 8Z", low: "M8 2A6 6 0 1 0 8 14A6 6 0 1 0 8 2Z" }[priority];
  return (
    <svg class="priority" viewBox="0 0 16 16" aria-hidden="true">
      <path d={shape} />
    </svg>
  );
}

function Alarm({ alarm }: { alarm: AlarmNow }) {
  const now = stationNow.value;
  const [isShelving, setShelving] = useState(false);
  const [isBusy, setBusy] = useState(false);
  const [result, setResult] = useState<{ text: string; isGood: boolean }>();
  const act = async (what: "acknowledge" | "reset" | "unshelve") => {
    setBusy(true);
    try {
      await post<AlarmNow>(`alarms/${path(alarm.id)}/${what}`);
      setResult({ text: words.alarms.done[what], isGood: true });
    } catch (error) {
      setResult({ text: said(error), isGood: false });
    }
    setBusy(false);
  };
  const remarks = [
    alarm.acknowledged_by && words.alarms.by(alarm.acknowledged_by),
    alarm.shelved_until_ms !== undefined && words.alarms.shelvedUntil(moment(alarm.shelved_until_ms, now)),
    alarm.aside,
    alarm.is_first_out && words.alarms.firstOut,
    alarm.is_chattering && words.alarms.chattering,
    alarm.is_stale && words.alarms.stale,
  ].filter((remark) => typeof remark === "string");
  const isShelved = alarm.state === "shelved";
  const isNormal = alarm.state === "normal";
  return (
    <li class={`alarm ${needsAcknowledgement(alarm.state) ? "open" : ""} ${alarm.priority}`}>
      <Sign priority={alarm.priority} />
      <div>
        <p class="what">{sentence(alarm.text)}</p>
        <p class="note">
          {words.alarms.priority[alarm.priority]}, {alarm.words}
          {!isNormal && `, ${words.alarms.since(moment(alarm.since_ms, now), span(now - alarm.since_ms))}`}
        </p>
        {remarks.map((remark) => (
          <p class="note" key={remark}>
            {remark === alarm.aside ? ended(remark) : sentence(remark)}
          </p>
        ))}
        <div aria-live="polite">{result && <p class={result.isGood ? "good" : "bad"}>{result.text}</p>}</div>
        {mayAct.value && (
          <div class="row">
            {needsAcknowledgement(alarm.state) && (
              <button type="button" class="main" disabled={isBusy} onClick={() => act("acknowledge")}>
                {words.alarms.acknowledge}
              </button>
            )}
            {alarm.state.startsWith("latched") && (
              <button type="button" disabled={isBusy} onClick={() => act("reset")}>
                {words.alarms.reset}
              </button>
            )}
            {isShelved ? (
              <button type="button" disabled={isBusy} onClick={() => act("unshelve")}>
                {words.alarms.unshelve}
              </button>
            ) : (
              <button type="button" onClick={() => setShelving(true)}>
                {words.alarms.shelve}
              </button>
            )}
          </div>
        )}
      </div>
      {isShelving && (
        <Ask
          title={words.alarms.shelveTitle}
          go={words.alarms.shelveGo}
          onClose={() => setShelving(false)}
          send={async (form) => {
            const until_ms = Math.round(stationNow.peek() + Number(text(form, "hours")) * 3_600_000);
            await post<AlarmNow>(`alarms/${path(alarm.id)}/shelve`, { until_ms, why: text(form, "why") });
            setResult({ text: words.alarms.done.shelve, isGood: true });
            return undefined;
          }}
        >
          <p>
            <b>{sentence(alarm.text)}</b>
          </p>
          <p>{words.alarms.shelveDoes}</p>
          <label class="field inline">
            <span>{words.alarms.until}</span>
            <input type="number" name="hours" required min={0.25} max={168} step={0.25} value={2} inputMode="decimal" />
            <span>{words.alarms.hours}</span>
          </label>
          <label class="field">
            <span>{words.alarms.why}</span>
            <input name="why" required maxLength={200} autocomplete="off" />
          </label>
        </Ask>
      )}
    </li>
  );
}

/** How people are told, and the test of each way. */
function Ways() {
  const ways = useLoaded(() => get<Way[]>("tell"), [alarmChanges.value]);
  const [result, setResult] = useState<{ text: string; isGood: boolean }>();
  const now = stationNow.value;
  const test = async (way: string) => {
    try {
      const { words: told } = await post<{ words: string }>("tell/test", { way });
      setResult({ text: told, isGood: true });
    } catch (error) {
      setResult({ text: said(error), isGood: false });
    }
    ways.again();
  };
  const remarks = (way: Way) => [
    way.last_sent_ms === undefined ? words.alarms.neverSent : words.alarms.lastSent(moment(way.last_sent_ms, now)),
    ...(way.n_waiting > 0 ? [words.alarms.waiting(way.n_waiting)] : []),
    ...(way.failing_since_ms === undefined ? [] : [words.alarms.failing(moment(way.failing_since_ms, now))]),
  ];
  return (
    <section aria-labelledby="tell">
      <h2 id="tell">{words.alarms.tell}</h2>
      <Waits of={ways} />
      {ways.value?.length === 0 && <p class="note">{words.alarms.noWays}</p>}
      <ul class="sentences">
        {ways.value?.map((way) => (
          <li key={way.name} class={way.failing_since_ms === undefined ? "" : "trip"}>
            <div class="line">
              <p>
                <b>{way.name}:</b> {ended(remarks(way).join("; "))}
                {way.last_answer !== "" && <span class="note"> {ended(way.last_answer)}</span>}
              </p>
              {mayAct.value && (
                <button type="button" class="small" aria-label={words.alarms.testOf(way.name)} onClick={() => test(way.name)}>
                  {words.alarms.test}
                </button>
              )}
            </div>
          </li>
        ))}
      </ul>
      <div aria-live="polite">{result && <p class={result.isGood ? "good" : "bad"}>{result.text}</p>}</div>
    </section>
  );
}

function Report() {
  const report = useLoaded(() => get<AlarmReport>("alarms/report"), [alarmChanges.value]);
  return (
    <section aria-labelledby="report">
      <h2 id="report">{words.alarms.report}</h2>
      <Waits of={report} />
      {report.value && (
        <>
          <p>{report.value.meets_aim ? words.alarms.reportAim.yes : words.alarms.reportAim.no}</p>
          <ul>
            {report.value.words.map((text) => (
              <li key={text}>{sentence(text)}</li>
            ))}
          </ul>
        </>
      )}
    </section>
  );
}
