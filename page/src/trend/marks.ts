// Events and notes on the time axis: numbered in the order of time, those that stand too close together under one flag. Pure.

import type { EventRow, Note, Photo } from "../api/types.ts";

export interface Mark {
  at: number;
  kind: "event" | "note";
  /** From 1, as in the list below. */
  n: number;
  who: string;
  text: string;
  photos: Photo[];
}

/** Kinds of events that say nothing of the tank. */
const ASIDE = /^(log-in|log-out|account|token|session)$/;

export function marksOf(events: EventRow[], notes: Note[]): Mark[] {
  const all = [
    ...events.filter(({ kind }) => !ASIDE.test(kind)).map((row) => ({ at: row.at_ms, kind: "event" as const, who: row.board, text: row.text, photos: [] })),
    ...notes.map((note) => ({ at: note.from_ms, kind: "note" as const, who: note.who, text: note.text, photos: note.photos })),
  ];
  return all.sort((a, b) => a.at - b.at).map((mark, i) => ({ ...mark, n: i + 1 }));
}

export interface Flag {
  at: number;
  hasNote: boolean;
  /** `3`, or `3–7` for several. */
  text: string;
}

/** Flags at least `apart` ms from each other. */
export function flags(marks: Mark[], apart: number): Flag[] {
  const out: (Flag & { first: number })[] = [];
  for (const mark of marks) {
    const last = out[out.length - 1];
    if (last && mark.at - last.at < apart) {
      last.text = `${last.first}–${mark.n}`;
      last.hasNote ||= mark.kind === "note";
    } else {
      out.push({ at: mark.at, hasNote: mark.kind === "note", text: String(mark.n), first: mark.n });
    }
  }
  return out;
}
