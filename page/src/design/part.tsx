// The values of one part as a form: each key as the file has it. A change is an edit of the file that keeps its comments.

import { named, words } from "../words.ts";
import { change } from "./desk.ts";
import { asValue, type Entry, type Table } from "./tables.ts";

const w = words.design;

interface Props {
  tables: Table[];
  /** Path of the one that is shown. */
  path: string;
  onPick(path: string): void;
  onGo(line: number): void;
}

export function PartForm({ tables, path, onPick, onGo }: Props) {
  const table = tables.find((one) => one.path === path);
  const sections = [...new Set(tables.map(({ section }) => section))];
  return (
    <section aria-labelledby="part-form">
      <h2 id="part-form">{w.part}</h2>
      <label class="field inline">
        <span>{w.pickPart}</span>
        <select value={path} onChange={(event) => onPick(event.currentTarget.value)}>
          <option value="">–</option>
          {sections.map((section) => (
            <optgroup key={section} label={named(section)}>
              {tables
                .filter((one) => one.section === section)
                .map((one) => (
                  <option key={one.path} value={one.path}>
                    {one.name === "" ? named(one.section) : named(one.name)}
                  </option>
                ))}
            </optgroup>
          ))}
        </select>
      </label>
      {!table && <p class="note">{w.pickHint}</p>}
      {table && (
        <>
          {table.entries.map((entry) => (
            <Field key={`${table.path}.${entry.key}.${entry.raw}`} path={table.path} entry={entry} onGo={onGo} />
          ))}
          <div class="row">
            <button type="button" class="small" onClick={() => onGo(table.line)}>
              {w.inText}
            </button>
            {table.name !== "" && (
              <button
                type="button"
                class="small"
                onClick={async () => {
                  if (await change([{ op: "remove", path: table.path }], w.removed(table.path))) onPick("");
                }}
              >
                {w.remove}
              </button>
            )}
          </div>
        </>
      )}
    </section>
  );
}

function Field({ path, entry, onGo }: { path: string; entry: Entry; onGo(line: number): void }) {
  const set = (given: string) => {
    const value = asValue(entry, given);
    if (value !== entry.value) void change([{ op: "set", path, key: entry.key, value }], w.moved(path, entry.key, given));
  };
  const name = named(entry.key);
  return (
    <label class="field entry">
      <span>
        {name}
        {entry.comment !== "" && <small> {entry.comment}</small>}
      </span>
      {entry.value === undefined ? (
        <button type="button" class="small" onClick={() => onGo(entry.line)}>
          {w.changeInText(name)}
        </button>
      ) : typeof entry.value === "boolean" ? (
        <select value={String(entry.value)} onChange={(event) => set(event.currentTarget.value)}>
          <option value="true">{words.bits.on}</option>
          <option value="false">{words.bits.off}</option>
        </select>
      ) : (
        <input
          defaultValue={String(entry.value)}
          autocomplete="off"
          spellcheck={false}
          readOnly={entry.key === "name"}
          onChange={(event) => set(event.currentTarget.value)}
        />
      )}
    </label>
  );
}
