// What the station finds in the text on the desk: findings with their cures, water lines, what the design comes to.

import type { Figure, Finding, Level, Refusal } from "../api/design.ts";
import { ended, named, plain, sentence, words } from "../words.ts";

const w = words.design;

const SIGN = { error: "■", warning: "▲", note: "○" } as const;

export function Findings({ list, onGo }: { list: Finding[]; onGo(finding: Finding): void }) {
  const count = (severity: Finding["severity"]) => list.filter((one) => one.severity === severity).length;
  return (
    <section aria-labelledby="findings">
      <h2 id="findings">{w.findings}</h2>
      <p role="status">{list.length === 0 ? <span class="calm">{w.noFindings}</span> : w.count(count("error"), count("warning"), count("note"))}</p>
      <List list={list.filter(({ severity }) => severity !== "note")} onGo={onGo} />
      {count("note") > 0 && (
        <details>
          <summary>{w.notes(count("note"))}</summary>
          <List list={list.filter(({ severity }) => severity === "note")} onGo={onGo} />
        </details>
      )}
    </section>
  );
}

function List({ list, onGo }: { list: Finding[]; onGo(finding: Finding): void }) {
  if (list.length === 0) return null;
  return (
    <ol class="findings">
      {list.map((finding, n) => (
        <li key={`${finding.id}${n}`} class={finding.severity}>
          <span class="sign" aria-hidden="true">
            {SIGN[finding.severity]}
          </span>
          <div>
            <p>
              <b>{w.severity[finding.severity]}</b>: {ended(finding.message)}
            </p>
            {finding.cure && <p class="cure">{sentence(finding.cure)}</p>}
            <p class="note">
              {finding.where && (
                <button type="button" class="link" onClick={() => onGo(finding)}>
                  {w.line(finding.where.line)}
                </button>
              )}{" "}
              <code>{finding.id}</code>
            </p>
            {finding.notes && (
              <details>
                <summary>{w.why}</summary>
                {finding.notes.map((note) => (
                  <p key={note} class="note">
                    {note}
                  </p>
                ))}
              </details>
            )}
          </div>
        </li>
      ))}
    </ol>
  );
}

export function Refused({ of }: { of: Refusal }) {
  return (
    <div class="bad" role="alert">
      <p>
        {w.refused} {sentence(of.message)}
      </p>
      {of.diagnostics.map((finding) => (
        <p key={finding.id + finding.message}>
          {ended(finding.message)} {finding.cure && sentence(finding.cure)}
        </p>
      ))}
    </div>
  );
}

/** The three lines of every vessel; what runs over first. */
export function Lines({ list }: { list: Level[] }) {
  const vessels = [...new Set(list.map(({ vessel }) => vessel))];
  const over = (vessel: string) => list.some((line) => line.vessel === vessel && line.overflows);
  vessels.sort((a, b) => Number(over(b)) - Number(over(a)));
  return (
    <section aria-labelledby="lines">
      <h2 id="lines">{w.lines}</h2>
      <div class="scroll" tabIndex={0} role="group" aria-labelledby="lines">
        <table>
          <thead>
            <tr>
              <th scope="col">{w.vessel}</th>
              {(["running", "drain_down", "worst"] as const).map((id) => (
                <th key={id} scope="col" class="number">
                  {w.levels[id]}
                </th>
              ))}
            </tr>
          </thead>
          <tbody>
            {vessels.map((vessel) => (
              <tr key={vessel}>
                <th scope="row">{named(vessel)}</th>
                {(["running", "drain_down", "worst"] as const).map((id) => {
                  const line = list.find((one) => one.vessel === vessel && one.id === id);
                  return (
                    <td key={id} class={`number${line?.overflows ? " over" : ""}`} title={line?.text}>
                      {line === undefined ? "–" : `${Math.round(line.level_m * 1000)}\u00a0mm`}
                      {line?.overflows && ` ${w.overflows}`}
                    </td>
                  );
                })}
              </tr>
            ))}
          </tbody>
        </table>
      </div>
    </section>
  );
}

export function Figures({ list }: { list: Figure[] }) {
  if (list.length === 0) return null;
  return (
    <section aria-labelledby="figures">
      <h2 id="figures">{w.figures}</h2>
      <dl class="figures">
        {list.map((figure) => (
          <div key={figure.id + figure.label}>
            <dt>{sentence(figure.label).replace(/\.$/, "")}</dt>
            <dd>{plain(figure.text)}</dd>
          </div>
        ))}
      </dl>
    </section>
  );
}
