// Revisions of a board: what it runs, what it was given before; another one on trial, kept or given up. The station begins anew when a board
// runs another revision, so what is shown is asked again until it has come about.

import { useEffect, useState } from "preact/hooks";
import { get, path, post } from "../api/client.ts";
import type { Comparison, Draft } from "../api/design.ts";
import type { Order, RevisionHead, Revisions as All, Weighed } from "../api/types.ts";
import { Differences } from "../design/differences.tsx";
import { orders, restarted, state, stationNow } from "../live.ts";
import { useLoaded } from "../load.ts";
import { Ask, MORE, text, Why } from "../parts/ask.tsx";
import { At } from "../parts/at.tsx";
import { BoardChoice, Stale, theBoard } from "../parts/boards.tsx";
import { Outcome } from "../parts/outcome.tsx";
import { Waits } from "../parts/state.tsx";
import { Kept, Reasons, reasonsOf, unanswered, useComparison } from "../parts/weighed.tsx";
import { isOwner, mayAct } from "../session.ts";
import { clock, span } from "../time.ts";
import { Pump } from "./pump.tsx";
import { sentence, words } from "../words.ts";

const w = words.revisions;
/** While something is under way, and else, ms. */
const LOOK = { soon: 1_500, seldom: 20_000 };
/** A board has begun anew within so long. */
const BEGINS_WITHIN_MS = 60_000;

/** What a board runs, as a sentence. Pure. */
export function runs(all: All): string {
  if (!all.running) return w.notReached;
  const { revision, kind, crc } = all.running;
  return revision === undefined ? w.runsOther(crc, w.kinds[kind]) : w.runs(revision, w.kinds[kind]);
}

export function Revisions() {
  const board = theBoard();
  const name = board?.name ?? "";
  const [order, setOrder] = useState<Order>();
  const [soonUntil, setSoonUntil] = useState(0);
  const [asking, setAsking] = useState<"draft" | "pump" | "confirm" | "revert" | RevisionHead>();
  const [explaining, setExplaining] = useState<RevisionHead>();
  const all = useLoaded(() => (name === "" ? Promise.resolve(undefined) : get<All>(`boards/${path(name)}/revisions`)), [name, orders.value, restarted.value]);
  const isSoon = soonUntil > Date.now() || all.value?.running?.kind === "trial";
  useEffect(() => {
    const timer = setInterval(all.again, isSoon ? LOOK.soon : LOOK.seldom);
    return () => clearInterval(timer);
  }, [isSoon, all.again]);
  if (!state.value || !board) return <p class="pending">{words.waitingForStation}</p>;
  const base = `boards/${path(board.name)}`;
  const found = all.value;
  const isTrial = found?.running?.kind === "trial";
  const left = found?.trial ? found.trial.ends_ms - stationNow.value : 0;
  const sent = (made: Order) => {
    setOrder(made);
    if (made.status === "done") setSoonUntil(Date.now() + BEGINS_WITHIN_MS);
    all.again();
  };
  return (
    <>
      <BoardChoice />
      <Stale board={board} />
      {!isOwner.value && <p class="note">{w.lookOnly}</p>}
      <section aria-labelledby="running">
        <h2 id="running">{w.running}</h2>
        <Waits of={all} />
        {found && (
          <p class={isTrial ? "alarm" : ""} role="status">
            {sentence(runs(found))} {isTrial && left > 0 && found.trial && sentence(w.trialEnds(clock(found.trial.ends_ms), span(left), found.trial.who))}
          </p>
        )}
        {found && found.running?.revision === undefined && found.running && <p class="note">{w.otherHint}</p>}
        {isTrial && isOwner.value && (
          <>
            <p class="note">{w.seeFirst}</p>
            <div class="row">
              <button type="button" class="main" onClick={() => setAsking("confirm")}>
                {w.confirm}
              </button>
              <button type="button" onClick={() => setAsking("revert")}>
                {w.revert}
              </button>
            </div>
          </>
        )}
        <div aria-live="polite">
          {order && (
            <div class="last">
              <Outcome order={order} />
              <button type="button" class="small" onClick={() => setOrder(undefined)}>
                {words.hand.dismiss}
              </button>
            </div>
          )}
        </div>
      </section>
      <section aria-labelledby="revisions">
        <h2 id="revisions">{w.all}</h2>
        {isOwner.value && !isTrial && (
          <div class="row">
            <button type="button" onClick={() => setAsking("draft")}>
              {w.tryDraft}
            </button>
            <button type="button" onClick={() => setAsking("pump")}>
              {words.pump.button}
            </button>
          </div>
        )}
        <ul class="sentences">
          {found?.revisions.map((one) => (
            <li key={one.id} data-revision={one.id}>
              <div class="line">
                <p>
                  <b>{w.number(one.id)}</b>
                  {one.is_running && ` (${w.runsNow})`}: {sentence(one.why)}
                  <span class="note">
                    {" "}
                    {one.who}, <At ms={one.at_ms} />; {w.bytes(one.bytes, one.crc)}
                  </span>
                </p>
                <span class="row">
                  <a class="small" href={`/api/v1/${base}/revisions/${one.id}/file`} download={`${board.name}-${one.id}.toml`}>
                    {w.file}
                  </a>
                  {isOwner.value && !isTrial && !one.is_running && (
                    <button type="button" class="small" onClick={() => setAsking(one)}>
                      {w.back(one.id)}
                    </button>
                  )}
                </span>
              </div>
              {one.rows && <Kept of={one.rows} onExplain={isOwner.value ? () => setExplaining(one) : undefined} />}
            </li>
          ))}
        </ul>
      </section>
      {mayAct.value && found && found.revisions.length > 1 && <Against base={base} all={found} board={board.name} />}
      {asking && (asking === "confirm" || asking === "revert") && (
        <Ask
          title={asking === "confirm" ? w.confirm : w.revert}
          go={asking === "confirm" ? w.confirmGo : w.revertGo}
          waiting={words.hand.waiting}
          onClose={() => setAsking(undefined)}
          send={async (form) => {
            sent(await post<Order>(`${base}/trial/${asking}`, { why: text(form, "why") }));
            return undefined;
          }}
        >
          <p>{asking === "confirm" ? w.confirmDoes : w.revertDoes}</p>
          <Why example={asking === "confirm" ? w.confirmExample : w.revertExample} />
        </Ask>
      )}
      {asking === "pump" && <Pump board={board} base={base} onClose={() => setAsking(undefined)} onSent={sent} />}
      {asking && asking !== "pump" && asking !== "confirm" && asking !== "revert" && (
        <Try
          base={base}
          revision={asking === "draft" ? undefined : asking}
          onClose={() => setAsking(undefined)}
          onSent={sent}
        />
      )}
      {explaining && (
        <Explain
          base={base}
          revision={explaining}
          onClose={() => {
            setExplaining(undefined);
            all.again();
          }}
        />
      )}
    </>
  );
}

/** Sends a draft, or a revision that was there before, on trial: compared with what runs first, unless it is a way back or an emergency. */
function Try({ base, revision, onClose, onSent }: { base: string; revision: RevisionHead | undefined; onClose(): void; onSent(order: Order): void }) {
  const drafts = useLoaded(() => (revision ? Promise.resolve([]) : get<Draft[]>("drafts")), [revision?.id]);
  const [comparing, compare] = useComparison(base);
  const [draft, setDraft] = useState<string>();
  const [isLater, setLater] = useState(false);
  const isNone = !revision && drafts.value?.length === 0;
  const isBack = revision?.was_kept ?? false;
  const found = comparing?.done;
  return (
    <Ask
      title={revision ? w.backTo(revision.id) : w.tryDraft}
      go={found || isLater || isBack ? w.tryGo : w.compareGo}
      waiting={comparing && !found ? w.comparingLong : words.hand.waiting}
      onClose={onClose}
      send={async (form) => {
        const [why, minutes] = [text(form, "why"), Number(text(form, "minutes"))];
        const what = draft === undefined && !revision ? (await get<Draft>(`drafts/${path(text(form, "draft"))}`)).text ?? "" : (draft ?? "");
        if (!revision) setDraft(what);
        let rows = found?.worse ?? [];
        if (!found && !isLater && !isBack) {
          rows = (await compare(revision ? { revision: revision.id } : { text: what })).worse;
          if (unanswered(rows).length > 0) return MORE;
        }
        const body = { why, minutes, reasons: reasonsOf(form, rows), ...(isLater ? { compare: "later" } : {}) };
        const made = revision
          ? await post<{ order: Order }>(`${base}/revisions/${revision.id}/deploy`, body)
          : await post<{ order: Order }>(`${base}/revisions`, { text: what, ...body });
        onSent(made.order);
        return undefined;
      }}
    >
      <p>{w.tryDoes}</p>
      {!revision && <Waits of={drafts} />}
      {isNone && <p class="bad">{w.noDraft}</p>}
      {!revision && !isNone && (
        <label class="field">
          <span>{w.draft}</span>
          <select name="draft" required disabled={comparing !== undefined}>
            {drafts.value?.map((one) => (
              <option key={one.name} value={one.name}>
                {one.name}
              </option>
            ))}
          </select>
        </label>
      )}
      <label class="field inline">
        <span>{w.forTime}</span>
        <input type="number" name="minutes" min={1} max={255} step={1} required defaultValue="60" inputMode="numeric" />
        <span>{words.hand.minutes}</span>
      </label>
      <Why example={w.tryExample} />
      {isBack && <p class="note">{w.backAtOnce}</p>}
      {comparing && !isLater && <Reasons of={comparing} />}
      {!isBack && !found && (
        <label class="check">
          <input type="checkbox" checked={isLater} onChange={(event) => setLater(event.currentTarget.checked)} />
          <span>{w.later}</span>
        </label>
      )}
    </Ask>
  );
}

/** Gives reasons afterwards. */
function Explain({ base, revision, onClose }: { base: string; revision: RevisionHead; onClose(): void }) {
  const rows = unanswered(revision.rows?.worse ?? []);
  return (
    <Ask
      title={w.explainTitle(revision.id)}
      go={w.explainGo}
      onClose={onClose}
      send={async (form) => {
        await post<Weighed>(`${base}/revisions/${revision.id}/reasons`, { reasons: reasonsOf(form, rows) });
        return undefined;
      }}
    >
      <Reasons of={{ rows, ...(revision.rows ? { done: revision.rows } : {}) }} />
    </Ask>
  );
}

/** What differs between two revisions. */
function Against({ base, all, board }: { base: string; all: All; board: string }) {
  const ids = all.revisions.map((one) => one.id);
  const [a, setA] = useState(ids[1] ?? 0);
  const [b, setB] = useState(ids[0] ?? 0);
  const [isOpen, setOpen] = useState(false);
  const file = async (id: number) => (await fetch(`/api/v1/${base}/revisions/${id}/file`)).text();
  const differs = useLoaded(
    async () => (isOpen && a !== b ? await post<Comparison>("design/compare", { a: await file(a), b: await file(b), board }) : undefined),
    [isOpen, a, b],
  );
  const choice = (label: string, value: number, set: (id: number) => void) => (
    <label class="field inline">
      <span>{label}</span>
      <select value={value} onChange={(event) => set(Number(event.currentTarget.value))}>
        {ids.map((id) => (
          <option key={id} value={id}>
            {w.number(id)}
          </option>
        ))}
      </select>
    </label>
  );
  return (
    <section aria-labelledby="against">
      <h2 id="against">{w.against}</h2>
      <div class="row">
        {choice("A", a, setA)}
        {choice("B", b, setB)}
        <button type="button" class="small" aria-expanded={isOpen} onClick={() => setOpen(!isOpen)}>
          {isOpen ? words.close : w.againstGo}
        </button>
      </div>
      {isOpen && a === b && <p class="note">{w.same}</p>}
      {isOpen && a !== b && <Waits of={differs} />}
      {isOpen && differs.value && <Differences of={differs.value} />}
    </section>
  );
}
