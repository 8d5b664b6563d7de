// A metered pump's flow by caught volumes: reckoned, compared and sent as a revision on trial, in one dialog.

import { useState } from "preact/hooks";
import { path, post, Problem } from "../api/client.ts";
import type { BoardNow, MeasuredPump, Order } from "../api/types.ts";
import { Ask, MORE, text, Why } from "../parts/ask.tsx";
import { Reasons, reasonsOf, unanswered, useComparison } from "../parts/weighed.tsx";
import { named, sentence, words } from "../words.ts";

const w = words.pump;
/** As many as a person catches; the second and third may be left out. */
const CATCHES = [0, 1, 2];

/** The catches that are filled in. */
function catchesOf(form: FormData): { seconds: number; millilitres: number }[] {
  const of = (n: number) => ({ seconds: Number(text(form, `seconds ${n}`)), millilitres: Number(text(form, `millilitres ${n}`)) });
  return CATCHES.filter((n) => text(form, `millilitres ${n}`) !== "").map(of);
}

export function Pump({ board, base, onClose, onSent }: { board: BoardNow; base: string; onClose(): void; onSent(order: Order): void }) {
  const [measured, setMeasured] = useState<MeasuredPump>();
  const [comparing, compare] = useComparison(base);
  const found = comparing?.done;
  return (
    <Ask
      title={w.title}
      go={found ? words.revisions.tryGo : w.go}
      waiting={comparing && !found ? words.revisions.comparingLong : words.hand.waiting}
      onClose={onClose}
      send={async (form) => {
        const pump = text(form, "pump");
        const to = `${base}/pumps/${path(pump)}/calibrate`;
        const body = { catches: catchesOf(form), step_ml: Number(text(form, "step")) };
        const reckoned = await post<MeasuredPump>(to, body);
        setMeasured(reckoned);
        if (!reckoned.is_accepted) throw new Problem("not-accepted", w.refused, reckoned.remarks.map(sentence).join(" "), 0);
        const rows = (found ?? (await compare({ text: reckoned.text }))).worse;
        const reasons = reasonsOf(form, rows);
        if (unanswered(rows).some((row) => !reasons[row.fault])) return MORE;
        const made = await post<MeasuredPump>(to, { ...body, send: { why: text(form, "why"), minutes: Number(text(form, "minutes")), reasons } });
        if (made.sent) onSent(made.sent.order);
        return undefined;
      }}
    >
      <p>{w.does}</p>
      <p class="note">{w.caution}</p>
      <label class="field">
        <span>{w.pump}</span>
        <select name="pump" required>
          {board.drives.map((drive) => (
            <option key={drive.name} value={drive.name}>
              {named(drive.name)}
            </option>
          ))}
        </select>
      </label>
      {CATCHES.map((n) => (
        <fieldset key={n} class="row">
          <legend>{w.caught(n + 1)}</legend>
          <label class="field inline">
            <input type="number" name={`millilitres ${n}`} aria-label={w.millilitres(n + 1)} min={0} step="any" required={n === 0} inputMode="decimal" />
            <span>mL</span>
          </label>
          <label class="field inline">
            <span>{w.within}</span>
            <input type="number" name={`seconds ${n}`} aria-label={w.seconds(n + 1)} min={1} step="any" required={n === 0} defaultValue="600" inputMode="decimal" />
            <span>s</span>
          </label>
        </fieldset>
      ))}
      <label class="field inline">
        <span>{w.step}</span>
        <input type="number" name="step" min={0} step="any" required defaultValue="0.5" inputMode="decimal" />
        <span>mL</span>
      </label>
      <label class="field inline">
        <span>{words.revisions.forTime}</span>
        <input type="number" name="minutes" min={1} max={255} step={1} required defaultValue="60" inputMode="numeric" />
        <span>{words.hand.minutes}</span>
      </label>
      <Why example={w.example} />
      {measured && (
        <div aria-live="polite">
          <p>{w.found(measured.flow_ml_min, measured.half95_ml_min, measured.before_ml_min)}</p>
          {measured.remarks.map((remark) => (
            <p key={remark} class="note">
              {sentence(remark)}
            </p>
          ))}
        </div>
      )}
      {comparing && <Reasons of={comparing} />}
    </Ask>
  );
}
