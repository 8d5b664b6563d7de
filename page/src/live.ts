// What is now, as the station tells it: the whole state once, then what changes. How old it is counts by the station's clock, not by this
// machine's, which may be off.

import { computed, effect, signal } from "@preact/signals";
import { problemOf } from "./api/client.ts";
import { follow } from "./api/stream.ts";
import type { BoardNow, Delta, Order, State } from "./api/types.ts";

/** The state with the changes; pure. */
export function merged(state: State, delta: Delta): State {
  return {
    ...state,
    at_ms: delta.at_ms,
    boards: state.boards.map((board) => {
      const change = delta.boards?.find((one) => one.name === board.name);
      if (!change) return board;
      const next: BoardNow = {
        ...board,
        link: change.link,
        is_clock_good: change.is_clock_good,
        signals: replaced(board.signals, change.signals, (one) => one.name),
        drives: replaced(board.drives, change.drives, (one) => one.name),
        trips: replaced(board.trips, change.trips, (one) => one.id),
        procedures: replaced(board.procedures, change.procedures, (one) => one.name),
      };
      if (change.newest_ms !== undefined) next.newest_ms = change.newest_ms;
      if (change.scan !== undefined) next.scan = change.scan;
      return next;
    }),
    alarms: delta.alarms ?? state.alarms,
    attention: delta.attention ?? state.attention,
    morning: delta.morning ?? state.morning,
  };
}

function replaced<T>(list: T[], changes: T[] | undefined, key: (item: T) => string): T[] {
  if (!changes || changes.length === 0) return list;
  const by = new Map(changes.map((item) => [key(item), item]));
  return list.map((item) => by.get(key(item)) ?? item);
}

export type LineState =
  | { is: "starting" }
  | { is: "up" }
  /** Since when the last message came, and when the next try comes, by this machine's clock. */
  | { is: "lost"; since: number; nextAt: number };

export const state = signal<State | null>(null);
export const line = signal<LineState>({ is: "starting" });
/** The newest outcomes of commands, whoever gave them. */
export const orders = signal<Order[]>([]);
/** Rises with every change of an alarm. */
export const alarmChanges = signal(0);
/** A tick a second, so that ages go on while nothing comes. */
export const tick = signal(Date.now());

/** When the station was started again while this page was open, ms by its clock. */
export const restarted = signal<number | undefined>(undefined);

let received = 0;

/** Now by the station's clock: its last word and the time since. */
export const stationNow = computed(() => {
  const known = state.value;
  return known ? known.at_ms + Math.max(0, tick.value - received) : tick.value;
});

/** Values of a board are older than this when they are said to be old, ms. */
export const OLD_MS = 60_000;

/** How old what a board told is, ms; `undefined`: it told nothing yet. */
export function ageOf(board: BoardNow, nowMs: number): number | undefined {
  return board.newest_ms === undefined ? undefined : Math.max(0, nowMs - board.newest_ms);
}

/** What is shown cannot be taken for what is. */
export function isOld(board: BoardNow, nowMs: number): boolean {
  const age = ageOf(board, nowMs);
  return age === undefined || age > OLD_MS || board.link.state === "down" || board.link.state === "refused";
}

let ending: (() => void) | undefined;

/** Follows the station until `stop`. `refused` hears that nobody is logged in. */
export function start(refused: () => void): void {
  stop();
  received = Date.now();
  const timer = setInterval(() => (tick.value = Date.now()), 1000);
  const stream = follow("/api/v1/events-stream", {
    message({ event, data }) {
      received = Date.now();
      if (event === "state") {
        const whole = JSON.parse(data) as State;
        if (state.value && state.value.started_ms !== whole.started_ms) restarted.value = whole.started_ms;
        state.value = whole;
      } else if (event === "now") {
        if (state.value) state.value = merged(state.value, JSON.parse(data) as Delta);
      } else if (event === "alarm") {
        alarmChanges.value += 1;
      } else if (event === "command") {
        const order = JSON.parse(data) as Order;
        orders.value = [order, ...orders.value.filter((one) => one.id !== order.id)].slice(0, 50);
      }
      tick.value = received;
    },
    open() {
      line.value = { is: "up" };
    },
    lost(nextMs) {
      const since = line.value.is === "lost" ? line.value.since : received;
      line.value = { is: "lost", since, nextAt: Date.now() + nextMs };
    },
    async refused(response) {
      const problem = await problemOf(response);
      if (problem.status === 401) {
        refused();
        return false;
      }
      return true;
    },
  });
  const online = () => stream.now();
  const seen = () => {
    if (document.visibilityState === "visible") stream.now();
  };
  addEventListener("online", online);
  document.addEventListener("visibilitychange", seen);
  ending = () => {
    clearInterval(timer);
    stream.end();
    removeEventListener("online", online);
    document.removeEventListener("visibilitychange", seen);
  };
}

export function stop(): void {
  ending?.();
  ending = undefined;
  state.value = null;
  orders.value = [];
  restarted.value = undefined;
  line.value = { is: "starting" };
}

/** The number of alarms that nobody took, for the title of the window. */
export const unacknowledged = computed(
  () => state.value?.alarms.filter((alarm) => needsAcknowledgement(alarm.state)).length ?? 0,
);

export function needsAcknowledgement(alarmState: string): boolean {
  return alarmState.includes("unacknowledged");
}

effect(() => {
  if (typeof document === "undefined") return;
  const n = unacknowledged.value;
  const name = state.value?.station ?? "Tidewright";
  document.title = n > 0 ? `(${n}) ${name}` : name;
});
