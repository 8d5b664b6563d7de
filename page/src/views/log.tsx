// What happened: events, commands with their outcome and notes in one list, the newest first.

import { useEffect, useState } from "preact/hooks";
import { get, said } from "../api/client.ts";
import type { EventRow, Note, Order } from "../api/types.ts";
import { alarmChanges, orders, stationNow } from "../live.ts";
import { At } from "../parts/at.tsx";
import { Photos, type Picked, PickPhotos, writeNote } from "../parts/photos.tsx";
import { mayAct } from "../session.ts";
import { day } from "../time.ts";
import { ended, sentence, words, written } from "../words.ts";

type Entry =
  | { kind: "event"; at: number; key: string; row: EventRow }
  | { kind: "command"; at: number; key: string; row: Order }
  | { kind: "note"; at: number; key: string; row: Note };

type Wanted = "all" | "events" | "commands" | "notes";

/** Rows that are asked for at once. */
const PAGE = 50;

/** All three in the order of time, the newest first; only as far back as every list is known. Pure. */
export function joined(events: EventRow[], commands: Order[], notes: Note[], isWhole: boolean): Entry[] {
  const all: Entry[] = [
    ...events.map((row): Entry => ({ kind: "event", at: row.at_ms, key: `e${row.id}`, row })),
    ...commands.map((row): Entry => ({ kind: "command", at: row.at_ms, key: `c${row.id}`, row })),
    ...notes.map((row): Entry => ({ kind: "note", at: row.from_ms, key: `n${row.id}`, row })),
  ].sort((a, b) => b.at - a.at);
  if (isWhole) return all;
  const ends = [events, commands].filter((list) => list.length > 0).map((list) => list[list.length - 1]?.at_ms ?? 0);
  const known = Math.max(...ends, 0);
  return all.filter((entry) => entry.at >= known);
}

export function Log() {
  const [wanted, setWanted] = useState<Wanted>("all");
  const [events, setEvents] = useState<EventRow[]>([]);
  const [commands, setCommands] = useState<Order[]>([]);
  const [notes, setNotes] = useState<Note[]>([]);
  const [hasMore, setMore] = useState(true);
  const [problem, setProblem] = useState("");
  const [isLoading, setLoading] = useState(true);

  const load = async (isMore: boolean) => {
    setLoading(true);
    try {
      const before = (list: { id: number }[]) => (isMore && list.length > 0 ? `&before=${list[list.length - 1]?.id}` : "");
      const [newEvents, newCommands, newNotes] = await Promise.all([
        get<EventRow[]>(`events?limit=${PAGE}${before(events)}`),
        get<Order[]>(`commands?limit=${PAGE}${before(commands)}`),
        get<Note[]>("notes"),
      ]);
      setEvents(isMore ? [...events, ...newEvents] : newEvents);
      setCommands(isMore ? [...commands, ...newCommands] : newCommands);
      setNotes(newNotes);
      setMore(newEvents.length === PAGE || newCommands.length === PAGE);
      setProblem("");
    } catch (error) {
      setProblem(said(error));
    }
    setLoading(false);
  };
  useEffect(() => void load(false), [alarmChanges.value, orders.value]);

  const kinds = { all: null, events: "event", commands: "command", notes: "note" }[wanted];
  const shown = joined(events, commands, notes, !hasMore).filter((entry) => kinds === null || entry.kind === kinds);
  let lastDay = "";
  return (
    <>
      {mayAct.value && <AddNote onAdded={() => load(false)} />}
      <section aria-label={words.viewTitles.log}>
        <label class="field inline">
          <span>{words.log.what}</span>
          <select value={wanted} onChange={(event) => setWanted(event.currentTarget.value as Wanted)}>
            {Object.entries(words.log.kinds).map(([kind, word]) => (
              <option key={kind} value={kind}>
                {word}
              </option>
            ))}
          </select>
        </label>
        {problem !== "" && (
          <p class="bad" role="alert">
            {problem}
          </p>
        )}
        {shown.length === 0 && <p class="pending">{isLoading ? words.loading : words.log.none}</p>}
        <ol class="log">
          {shown.map((entry) => {
            const date = day(entry.at);
            const isNew = date !== lastDay;
            lastDay = date;
            return (
              <>
                {isNew && date !== day(stationNow.peek()) && (
                  <li class="day" key={date}>
                    {date}
                  </li>
                )}
                <li key={entry.key} class={`is-${entry.kind}`}>
                  <At ms={entry.at} />
                  <div>
                    <p>
                      <One entry={entry} />
                    </p>
                    {entry.kind === "note" && <Photos photos={entry.row.photos} note={entry.row.text} onChanged={() => void load(false)} />}
                  </div>
                </li>
              </>
            );
          })}
        </ol>
        {hasMore && (
          <button type="button" disabled={isLoading} onClick={() => load(true)}>
            {words.log.more}
          </button>
        )}
        <p class="no-print">
          <a class="button small" download href="/api/v1/diary">
            {words.log.export}
          </a>{" "}
          <span class="note">{words.log.exportHint}</span>
        </p>
      </section>
    </>
  );
}

function One({ entry }: { entry: Entry }) {
  if (entry.kind === "event") {
    return (
      <>
        {sentence(entry.row.text)} <span class="note">{entry.row.board}</span>
      </>
    );
  }
  if (entry.kind === "note") return <>{written(words.log.noteBy(entry.row.who, entry.row.text))}</>;
  const order = entry.row;
  return (
    <>
      {ended(words.log.command(order.who, order.what, order.why))}{" "}
      <b>{sentence(words.status[order.status] ?? order.status)}</b>{" "}
      <span class="note">{sentence(order.detail)}</span>
    </>
  );
}

function AddNote({ onAdded }: { onAdded(): void }) {
  const [text, setText] = useState("");
  const [picked, setPicked] = useState<Picked[]>([]);
  const [isBusy, setBusy] = useState(false);
  const [result, setResult] = useState<{ text: string; isGood: boolean }>();
  const save = async (event: SubmitEvent) => {
    event.preventDefault();
    setBusy(true);
    try {
      const problems = await writeNote({ text: text.trim() }, picked);
      setText("");
      setPicked([]);
      setResult(problems.length > 0 ? { text: problems.join(" "), isGood: false } : { text: words.log.saved, isGood: true });
      onAdded();
    } catch (error) {
      setResult({ text: said(error), isGood: false });
    }
    setBusy(false);
  };
  return (
    <section aria-labelledby="add-note">
      <h2 id="add-note">{words.log.add}</h2>
      <form onSubmit={save}>
        <label class="field">
          <span>{words.log.note}</span>
          <textarea
            required={picked.length === 0}
            maxLength={2000}
            rows={2}
            placeholder={words.log.noteExample}
            value={text}
            onInput={(event) => setText(event.currentTarget.value)}
          />
        </label>
        <PickPhotos picked={picked} onPicked={setPicked} />
        <button type="submit" class="main" disabled={isBusy}>
          {words.log.save}
        </button>
        <div aria-live="polite">{result && <p class={result.isGood ? "good" : "bad"}>{result.text}</p>}</div>
      </form>
    </section>
  );
}
