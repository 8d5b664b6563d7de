// The study of one text: rows as they come. What is on the desk and what a board runs are studied the same way.

import { signal } from "@preact/signals";
import { get, path, said } from "../api/client.ts";
import type { BoardStudy, Done, Finding, Plan, Row } from "../api/design.ts";
import { events } from "../api/events.ts";

export interface Study {
  /** The text that is studied. */
  text: string;
  board: string;
  /** What the board runs, as the station studied it by itself. */
  isOfBoard: boolean;
  plan?: Plan;
  rows: Row[];
  withoutFault: Row[];
  findings: Finding[];
  progress?: { done: number; total: number };
  tookMs?: number;
  isRunning: boolean;
  problem: string;
}

export const study = signal<Study | undefined>(undefined);

let line: AbortController | undefined;

/** Ends what runs; what has come of it stays. */
export function stop(): void {
  line?.abort();
  line = undefined;
  const now = study.peek();
  if (now?.isRunning) study.value = { ...now, isRunning: false };
}

/** Takes the study that the station keeps of a board's own design. */
export async function ofBoard(board: string, text: string): Promise<void> {
  stop();
  study.value = { text, board, isOfBoard: true, rows: [], withoutFault: [], findings: [], isRunning: true, problem: "" };
  const mine = study.value;
  try {
    const kept = await get<BoardStudy>(`boards/${path(board)}/study`);
    if (study.peek() !== mine) return;
    study.value = { ...mine, plan: kept.plan, rows: kept.rows, withoutFault: kept.without_fault, findings: kept.diagnostics, isRunning: false };
  } catch (error) {
    if (study.peek() === mine) study.value = { ...mine, isRunning: false, problem: said(error) };
  }
}

/** Studies every fault of a text; rows stand as soon as the station knows them. */
export async function run(text: string, board: string, hasCorners: boolean): Promise<void> {
  stop();
  const mine = new AbortController();
  line = mine;
  let now: Study = { text, board, isOfBoard: false, rows: [], withoutFault: [], findings: [], isRunning: true, problem: "" };
  study.value = now;
  let frame = 0;
  // Rows come faster than they could be drawn one by one.
  const show = (change: Partial<Study>) => {
    now = { ...now, ...change };
    if (frame === 0) {
      frame = requestAnimationFrame(() => {
        frame = 0;
        if (line === mine) study.value = now;
      });
    }
  };
  const end = (change: Partial<Study>) => {
    cancelAnimationFrame(frame);
    if (line !== mine) return;
    line = undefined;
    const { progress: _, ...rest } = now;
    study.value = { ...rest, ...change, isRunning: false };
  };
  let last: Partial<Study> = {};
  try {
    await events(
      "design/study",
      { text, corners: hasCorners, ...(board ? { board } : {}) },
      (event, data) => {
        if (event === "plan") show({ plan: data as Plan });
        else if (event === "row") show({ rows: [...now.rows, data as Row] });
        else if (event === "progress") show({ progress: data as { done: number; total: number } });
        else if (event === "done") {
          const done = data as Done;
          last = { withoutFault: done.without_fault, findings: done.diagnostics, tookMs: done.took_ms };
        } else if (event === "failed") {
          const failed = data as { message: string; diagnostics?: Finding[] };
          last = { problem: failed.message, findings: failed.diagnostics ?? [] };
        }
      },
      mine.signal,
    );
    end(last);
  } catch (error) {
    end({ problem: said(error) });
  }
}
