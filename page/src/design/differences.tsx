// What differs between two texts: findings, figures, faults that end differently.

import type { Comparison, Finding } from "../api/design.ts";
import { ended, plain, sentence, words } from "../words.ts";

const w = words.design;

export function Differences({ of }: { of: Comparison }) {
  const list = (title: string, findings: Finding[]) => (
    <div>
      <h3>{title}</h3>
      {findings.length === 0 ? (
        <p class="calm">{w.none}</p>
      ) : (
        <ul>
          {findings.map((finding, n) => (
            <li key={finding.id + n}>
              <b>{w.severity[finding.severity]}</b>: {ended(finding.message)}
            </li>
          ))}
        </ul>
      )}
    </div>
  );
  return (
    <>
      <div class="pair">
        {list(w.onlyA, of.findings.only_a)}
        {list(w.onlyB, of.findings.only_b)}
      </div>
      <h3>{w.figures}</h3>
      <ul class="sentences">
        {of.figures.map((figure) => (
          <li key={figure.id + figure.label}>
            <b>{sentence(figure.label).replace(/\.$/, "")}</b>: {plain(figure.text)}
          </li>
        ))}
      </ul>
      {of.rows && of.rows.length > 0 && (
        <>
          <h3>{w.rowsDiffer}</h3>
          <ul class="sentences">
            {of.rows.map((row) => (
              <li key={row.fault + (row.requirement ?? "")}>{ended(row.text)}</li>
            ))}
          </ul>
        </>
      )}
    </>
  );
}
