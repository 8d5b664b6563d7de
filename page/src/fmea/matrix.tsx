// The matrix: failure modes down, requirements across. A grid for the keyboard: arrows move, Enter opens the run.

import { memo } from "preact/compat";
import { useEffect, useMemo, useRef, useState } from "preact/hooks";
import type { Plan, Row, RowVerdict } from "../api/design.ts";
import { printOnly, usePrinting } from "../parts/print.ts";
import { named, plain, sentence, words } from "../words.ts";
import { brief, cellOf, counts, hours, type Order, ordered, type Picking, picked, ROW_SIGN, SIGN, spoken, VERDICTS } from "./matrix.ts";

const w = words.faults;

/** Narrower than this rows are a list first, px. */
const NARROW = 700;

export interface Place {
  fault: string;
  requirement: string;
}

interface Props {
  plan: Plan;
  rows: Row[];
  withoutFault: Row[];
  chosen: Place | undefined;
  onChoose(place: Place): void;
}

export function Matrix({ plan, rows, withoutFault, chosen, onChoose }: Props) {
  const [isList, setList] = useState(() => innerWidth < NARROW);
  const isPrinting = usePrinting();
  const [picking, setPicking] = useState<Picking>({ find: "", verdicts: new Set(VERDICTS), requirement: "" });
  const [order, setOrder] = useState<Order>({ by: "verdict", requirement: "" });
  const shown = useMemo(() => ordered(picked(rows, picking), order), [rows, picking, order]);
  const n = useMemo(() => counts(rows), [rows]);
  return (
    <div class="matrix-place">
      <div class="no-print">
        <div class="row" role="group" aria-label={w.show}>
          {VERDICTS.map((verdict) => (
            <label key={verdict} class="check verdict">
              <input
                type="checkbox"
                checked={picking.verdicts.has(verdict)}
                onChange={() => {
                  const verdicts = new Set(picking.verdicts);
                  if (!verdicts.delete(verdict)) verdicts.add(verdict);
                  setPicking({ ...picking, verdicts });
                }}
              />
              <span>
                <span aria-hidden="true">{ROW_SIGN[verdict]}</span> {w.row[verdict]} ({n[verdict]})
              </span>
            </label>
          ))}
        </div>
        <div class="row">
          <label class="field inline">
            <span>{w.find}</span>
            <input type="search" size={14} value={picking.find} onInput={(event) => setPicking({ ...picking, find: event.currentTarget.value })} />
          </label>
          <label class="field inline">
            <span>{w.breaksOnly}</span>
            <select value={picking.requirement} onChange={(event) => setPicking({ ...picking, requirement: event.currentTarget.value })}>
              <option value="">{w.any}</option>
              {plan.requirements.map(({ id }) => (
                <option key={id} value={id}>
                  {named(id)}
                </option>
              ))}
            </select>
          </label>
          <label class="field inline">
            <span>{w.sort}</span>
            <select value={order.by} onChange={(event) => setOrder({ by: event.currentTarget.value as Order["by"], requirement: event.currentTarget.value === "margin" ? (plan.requirements[0]?.id ?? "") : "" })}>
              {(["verdict", "hours", "part", "margin"] as const).map((by) => (
                <option key={by} value={by}>
                  {w.by[by]}
                </option>
              ))}
            </select>
            {order.by === "margin" && (
              <select aria-label={w.marginOf} value={order.requirement} onChange={(event) => setOrder({ ...order, requirement: event.currentTarget.value })}>
                {plan.requirements.map(({ id }) => (
                  <option key={id} value={id}>
                    {named(id)}
                  </option>
                ))}
              </select>
            )}
          </label>
          <button type="button" class="small" aria-pressed={isList} onClick={() => setList(!isList)}>
            {w.asList}
          </button>
          <button type="button" class="small" onClick={(event) => printOnly(event.currentTarget.closest(".printed-matrix") ?? document.body)}>
            {w.print}
          </button>
        </div>
        <p class="note" role="status">
          {w.shown(shown.length, rows.length)}
        </p>
      </div>
      {withoutFault.length > 0 && (
        <div class="bad">
          <p>{w.withoutFault}</p>
          <ul>
            {withoutFault.map((row) => (
              <li key={row.fault}>{sentence(row.sentence)}</li>
            ))}
          </ul>
        </div>
      )}
      {isList && !isPrinting ? (
        <RowList rows={shown} onChoose={onChoose} />
      ) : (
        <Grid plan={plan} rows={shown} chosen={chosen} onChoose={onChoose} onSort={(requirement) => setOrder({ by: "hours", requirement })} />
      )}
      <p class="note">{w.legend}</p>
    </div>
  );
}

interface GridProps {
  plan: Plan;
  rows: Row[];
  chosen: Place | undefined;
  onChoose(place: Place): void;
  onSort(requirement: string): void;
}

function Grid({ plan, rows, chosen, onChoose, onSort }: GridProps) {
  const grid = useRef<HTMLTableElement>(null);
  const [[r, c], setAt] = useState<[number, number]>([0, 0]);
  const columns = useMemo(() => plan.requirements.map(({ id }) => id), [plan]);
  // Rows that went away take the place of the keyboard with them.
  useEffect(() => setAt(([r, c]) => [Math.min(r, Math.max(0, rows.length - 1)), c]), [rows.length]);
  const cellAt = (event: Event): [number, number] | undefined => {
    const cell = (event.target as Element).closest<HTMLElement>("td[data-r]");
    return cell ? [Number(cell.dataset["r"]), Number(cell.dataset["c"])] : undefined;
  };
  const choose = (at: [number, number]) => {
    const [row, requirement] = [rows[at[0]], columns[at[1]]];
    if (!row || !requirement) return;
    setAt(at);
    onChoose({ fault: row.fault, requirement });
  };
  const onKey = (event: KeyboardEvent) => {
    const at = cellAt(event);
    if (!at || event.ctrlKey || event.metaKey || event.altKey) return;
    const go: Record<string, [number, number]> = {
      ArrowDown: [at[0] + 1, at[1]],
      ArrowUp: [at[0] - 1, at[1]],
      ArrowLeft: [at[0], at[1] - 1],
      ArrowRight: [at[0], at[1] + 1],
      Home: [at[0], 0],
      End: [at[0], columns.length - 1],
      PageDown: [at[0] + 10, at[1]],
      PageUp: [at[0] - 10, at[1]],
    };
    if (event.key === "Enter" || event.key === " ") {
      event.preventDefault();
      choose(at);
      return;
    }
    const to = go[event.key];
    if (!to) return;
    event.preventDefault();
    const next: [number, number] = [Math.min(rows.length - 1, Math.max(0, to[0])), Math.min(columns.length - 1, Math.max(0, to[1]))];
    setAt(next);
    grid.current?.querySelector<HTMLElement>(`td[data-r="${next[0]}"][data-c="${next[1]}"]`)?.focus();
  };
  return (
    <div class="scroll matrix-scroll">
      <table
        ref={grid}
        class="matrix"
        role="grid"
        aria-label={w.matrix}
        onKeyDown={onKey}
        onClick={(event) => {
          const at = cellAt(event);
          if (at) choose(at);
        }}
      >
        <thead>
          <tr>
            <th scope="col" class="fault">
              {w.fault}
            </th>
            {plan.requirements.map((requirement) => (
              <th key={requirement.id} scope="col" class="up" title={requirement.text}>
                <button type="button" class="link" onClick={() => onSort(requirement.id)} aria-label={w.sortBy(named(requirement.id))}>
                  <span>{named(requirement.id)}</span>
                </button>
              </th>
            ))}
          </tr>
        </thead>
        <tbody>
          {rows.map((row, i) => (
            <GridRow
              key={row.fault}
              row={row}
              r={i}
              columns={columns}
              active={i === r ? c : -1}
              chosen={chosen?.fault === row.fault ? chosen.requirement : ""}
            />
          ))}
        </tbody>
      </table>
    </div>
  );
}

interface GridRowProps {
  row: Row;
  r: number;
  columns: string[];
  /** The cell that the tab key comes to; -1: none of this row. */
  active: number;
  chosen: string;
}

const GridRow = memo(({ row, r, columns, active, chosen }: GridRowProps) => (
  <tr class={row.verdict}>
    <th scope="row" class="fault" title={plain(row.sentence)}>
      <span class="sign" aria-hidden="true">
        {ROW_SIGN[row.verdict]}
      </span>{" "}
      {named(row.part)} <i>{plain(row.mode.replaceAll("-", " "))}</i>
      <span class="aloud">: {w.row[row.verdict]}</span>
    </th>
    {columns.map((id, c) => {
      const cell = cellOf(row, id);
      return (
        <td
          key={id}
          data-r={r}
          data-c={c}
          tabIndex={c === active ? 0 : -1}
          class={`${cell?.verdict ?? "ok"}${chosen === id ? " chosen" : ""}${cell?.anyway ? " anyway" : ""}`}
          aria-label={cell ? plain(spoken(row, cell)) : w.untried}
          aria-selected={chosen === id}
        >
          {cell && (
            <>
              <span class="sign">{SIGN[cell.verdict]}</span> {brief(cell)}
            </>
          )}
        </td>
      );
    })}
  </tr>
));

/** The same in sentences: for a phone, and for who would rather read. */
function RowList({ rows, onChoose }: { rows: Row[]; onChoose(place: Place): void }) {
  return (
    <ol class="row-list">
      {rows.map((row) => {
        const cells = row.cells.filter((cell) => cell.verdict !== "ok" && cell.verdict !== "hidden");
        const shown = cells.length > 0 ? cells : row.cells.slice(0, 1);
        return (
          <li key={row.fault} class={row.verdict}>
            <p>
              <span class="sign" aria-hidden="true">
                {ROW_SIGN[row.verdict]}
              </span>{" "}
              <b>{w.row[row.verdict as RowVerdict]}</b>: {sentence(row.sentence)}
            </p>
            <div class="row">
              {shown.map((cell) => (
                <button key={cell.requirement} type="button" class="small" onClick={() => onChoose({ fault: row.fault, requirement: cell.requirement })}>
                  {cells.length === 0 ? w.watch : `${SIGN[cell.verdict]} ${named(cell.requirement)}${cell.hours_left === undefined ? "" : ` ${hours(cell.hours_left)}`}`}
                  <span class="aloud">: {plain(spoken(row, cell))}</span>
                </button>
              ))}
            </div>
          </li>
        );
      })}
    </ol>
  );
}
