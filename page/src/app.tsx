// The frame of every view: the views' names, how fresh the data are, the title block.

import type { ComponentChildren, FunctionComponent } from "preact";
import { lazy, Suspense } from "preact/compat";
import { useEffect, useRef, useState } from "preact/hooks";
import { said } from "./api/client.ts";
import { line, type LineState, restarted, state, stationNow, tick, unacknowledged } from "./live.ts";
import { ACTING, FIRST, go, pathOf, type View, VIEWS, view } from "./router.ts";
import { mayAct, me, session, sessionProblem, whoAmI } from "./session.ts";
import { clock, day, span } from "./time.ts";
import { Account, Browser, First, LogIn } from "./views/account.tsx";
import { Alarms } from "./views/alarms.tsx";
import { Hand } from "./views/hand.tsx";
import { Log } from "./views/log.tsx";
import { Night } from "./views/night.tsx";
import { Now } from "./views/now.tsx";
import { words } from "./words.ts";

// What is seldom opened on a phone is fetched when it is opened.
const Care = lazy(() => import("./views/care.tsx").then((module) => module.Care));
const Design = lazy(() => import("./views/design.tsx").then((module) => module.Design));
const Faults = lazy(() => import("./views/faults.tsx").then((module) => module.Faults));
const Revisions = lazy(() => import("./views/revisions.tsx").then((module) => module.Revisions));
const Joined = lazy(() => import("./views/joined.tsx").then((module) => module.Joined));
const Program = lazy(() => import("./views/program.tsx").then((module) => module.Program));
const Twin = lazy(() => import("./views/twin.tsx").then((module) => module.Twin));
const Probes = lazy(() => import("./views/probes.tsx").then((module) => module.Probes));
const Water = lazy(() => import("./views/water.tsx").then((module) => module.Water));
const Wiring = lazy(() => import("./views/wiring.tsx").then((module) => module.Wiring));
const Trends = lazy(() => import("./views/trends.tsx").then((module) => module.Trends));

const CONTENT: Record<View, FunctionComponent> = {
  now: Now,
  night: Night,
  trends: Trends,
  alarms: Alarms,
  hand: Hand,
  design: Design,
  faults: Faults,
  joined: Joined,
  revisions: Revisions,
  wiring: Wiring,
  program: Program,
  care: Care,
  water: Water,
  twin: Twin,
  probes: Probes,
  log: Log,
  account: Account,
};

export function App() {
  if (sessionProblem.value !== undefined) {
    return (
      <Bare>
        <p class="bad" role="alert">
          {said(sessionProblem.value)}
        </p>
        <button type="button" onClick={whoAmI}>
          {words.retry}
        </button>
      </Bare>
    );
  }
  if (!session.value) {
    return (
      <Bare>
        <p class="pending">{words.loading}</p>
      </Bare>
    );
  }
  if (!me.value) {
    return (
      <Bare>
        {session.value.needs_first_owner ? <First /> : <LogIn />}
        <Browser />
      </Bare>
    );
  }
  return <Sheet />;
}

function Bare({ children }: { children: ComponentChildren }) {
  return (
    <main class="bare">
      <h1>{words.product}</h1>
      {children}
    </main>
  );
}

function Sheet() {
  const heading = useRef<HTMLHeadingElement>(null);
  const shown = view.value;
  const isFirst = useRef(true);
  useEffect(() => {
    // Whoever changes the view with keyboard or screen reader is taken to its heading.
    if (!isFirst.current) heading.current?.focus({ preventScroll: true });
    isFirst.current = false;
  }, [shown]);
  const Content = CONTENT[shown];
  return (
    <div class="paper">
      <a class="skip" href="#content">
        {words.skip}
      </a>
      <Nav shown={shown} />
      <main id="content">
        <h1 ref={heading} tabIndex={-1}>
          {words.viewTitles[shown]}
        </h1>
        <Lost state={line.value} />
        <Restarted />
        <Suspense fallback={<p class="pending">{words.loading}</p>}>
          <Content />
        </Suspense>
      </main>
      <TitleBlock shown={shown} />
    </div>
  );
}

function Nav({ shown }: { shown: View }) {
  const [isOpen, setOpen] = useState(false);
  useEffect(() => setOpen(false), [shown]);
  const isHidden = !FIRST.has(shown);
  return (
    <nav aria-label={words.nav} onKeyDown={(event) => event.key === "Escape" && setOpen(false)}>
      <ul class={isOpen ? "open" : ""} id="views">
        {VIEWS.filter((one) => mayAct.value || !ACTING.has(one)).map((one) => (
          <li key={one} class={FIRST.has(one) ? "" : "later"}>
            <a
              href={pathOf(one)}
              aria-current={one === shown ? "page" : undefined}
              onClick={(event) => {
                if (event.ctrlKey || event.metaKey || event.shiftKey) return;
                event.preventDefault();
                setOpen(false);
                go(one);
              }}
            >
              {words.views[one]}
              {one === "alarms" && unacknowledged.value > 0 && <b class="count">{unacknowledged.value}</b>}
            </a>
          </li>
        ))}
        <li class="more">
          <button type="button" aria-expanded={isOpen} aria-controls="views" class={isHidden ? "current" : ""} onClick={() => setOpen(!isOpen)}>
            {isHidden ? words.views[shown] : words.more}
          </button>
        </li>
      </ul>
    </nav>
  );
}

function Lost({ state: now }: { state: LineState }) {
  if (now.is !== "lost") return null;
  const at = tick.value;
  const next = Math.ceil((now.nextAt - at) / 1000);
  const shownAt = state.value ? clock(state.value.at_ms) : "?";
  return (
    <div class="bad stale">
      <p role="alert">{words.fresh.lost(clock(now.since), shownAt)}</p>
      <p class="note">{words.fresh.next(next)}</p>
    </div>
  );
}

/** How long a restart of the station is said, ms. */
const RESTART_SAID_MS = 10 * 60_000;

/** The station was started again while the page was open: it may have missed what happened meanwhile. */
function Restarted() {
  const at = restarted.value;
  if (at === undefined || stationNow.value - at > RESTART_SAID_MS) return null;
  return (
    <p class="note stale" role="status">
      {words.fresh.restarted(clock(at))}{" "}
      <button type="button" class="small" onClick={() => (restarted.value = undefined)}>
        {words.close}
      </button>
    </p>
  );
}

/** What a drawing says in its corner: whose it is, which sheet, how fresh. */
function TitleBlock({ shown }: { shown: View }) {
  const known = state.value;
  const now = stationNow.value;
  const newest = Math.max(...(known?.boards.map((board) => board.newest_ms ?? 0) ?? [0]));
  const age = now - newest;
  const data =
    line.value.is === "starting"
      ? words.fresh.starting
      : newest === 0
        ? "–"
        : line.value.is === "up" && age < 15_000
          ? words.fresh.up
          : words.fresh.age(span(age));
  const rows: [string, string][] = [
    [words.block.station, known?.station ?? "–"],
    [words.block.sheet, `${VIEWS.indexOf(shown) + 1}/${VIEWS.length} ${words.viewTitles[shown]}`],
    [words.block.time, known ? `${day(now)} ${clock(now)}` : "–"],
    [words.block.data, data],
    [words.block.user, me.value?.name ?? "–"],
    [words.block.version, `${words.product} ${known?.version ?? ""}`],
  ];
  return (
    <footer class="block" aria-label={words.block.label}>
      <dl>
        {rows.map(([term, text]) => (
          <div key={term}>
            <dt>{term}</dt>
            <dd>{text}</dd>
          </div>
        ))}
      </dl>
    </footer>
  );
}
