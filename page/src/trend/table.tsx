// The same as a table: for those who would rather read, or cannot see the drawing.

import { clock, day } from "../time.ts";
import { named, words } from "../words.ts";
import { type Range, row, within } from "./columns.ts";
import { type Read, shown } from "./read.ts";

const w = words.trends;
const TABLE_ROWS = 24;

interface TableProps {
  read: Read[];
  at: number[];
  stepMs: number;
  range: Range;
}

export function Table({ read, at, stepMs, range }: TableProps) {
  const [first, after] = within(at, range);
  const each = Math.max(1, Math.ceil((after - first) / TABLE_ROWS));
  const rows = Array.from({ length: Math.ceil((after - first) / each) }, (_, i) => first + i * each);
  const isLong = range.to - range.from > 2 * 86_400_000;
  return (
    <div class="scroll" tabIndex={0} role="group" aria-label={w.table}>
      <table>
        <thead>
          <tr>
            <th scope="col" rowSpan={2}>
              {w.time}
            </th>
            {read.map(({ series }) => (
              <th key={series.id} scope="colgroup" colSpan={3}>
                {named(series.name)}
              </th>
            ))}
          </tr>
          <tr>
            {read.flatMap(({ series }) =>
              [w.low, w.mean, w.high].map((word) => (
                <th key={`${series.id}${word}`} scope="col" class="number">
                  {word}
                </th>
              )),
            )}
          </tr>
        </thead>
        <tbody>
          {rows.map((i) => {
            const ms = (at[i] ?? 0) * 1000 - stepMs / 2;
            return (
              <tr key={i}>
                <th scope="row">{isLong ? `${day(ms)} ${clock(ms)}` : clock(ms)}</th>
                {read.flatMap(({ series, as, columns }) => {
                  const found = row(columns, i, Math.min(i + each, after));
                  if (!found) {
                    return [
                      <td key={series.id} colSpan={3} class="note">
                        {w.noData}
                      </td>,
                    ];
                  }
                  return [found.low, found.mean, found.high].map((value, n) => (
                    <td key={`${series.id}${n}`} class="number">
                      {shown(value, series, as)}
                    </td>
                  ));
                })}
              </tr>
            );
          })}
        </tbody>
      </table>
    </div>
  );
}
