// Which view is shown: the first part of the path.

import { signal } from "@preact/signals";

export const VIEWS = ["now", "night", "trends", "alarms", "hand", "design", "faults", "wiring", "program", "revisions", "joined", "care", "water", "probes", "twin", "log", "account"] as const;
/** Those that a phone's bar shows; the others stand behind a word. */
export const FIRST: ReadonlySet<View> = new Set<View>(["now", "night", "trends", "alarms", "hand"]);
/** Those that are for who may act. */
export const ACTING: ReadonlySet<string> = new Set(["design"]);
export type View = (typeof VIEWS)[number];

export function viewOf(path: string): View {
  const word = path.split("/")[1] ?? "";
  return VIEWS.find((view) => view === word) ?? "now";
}

export function pathOf(view: View): string {
  return view === "now" ? "/" : `/${view}`;
}

export const view = signal<View>(typeof location === "undefined" ? "now" : viewOf(location.pathname));

export function go(to: View): void {
  if (view.value === to) return;
  history.pushState(null, "", pathOf(to));
  view.value = to;
  scrollTo(0, 0);
}

if (typeof addEventListener !== "undefined") {
  addEventListener("popstate", () => (view.value = viewOf(location.pathname)));
}
