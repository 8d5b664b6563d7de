// Adds a part: its kind and name first; what else the file must say of it is asked for, as the station names it.

import { useState } from "preact/hooks";
import { get } from "../api/client.ts";
import type { Edit, Refusal } from "../api/design.ts";
import { useLoaded } from "../load.ts";
import { Waits } from "../parts/state.tsx";
import { named, words } from "../words.ts";
import { change, refusal } from "./desk.ts";
import { missing } from "./tables.ts";

const w = words.design;

interface Kind {
  id: string;
  kind: string;
  name: string;
}

/** Sections of the file that a part can be added to. */
const SECTIONS = ["sensor", "actuator", "vessel", "passage", "supply"];

function asValue(text: string): string | number | boolean {
  if (text === "true" || text === "false") return text === "true";
  return /^[+-]?\d+(\.\d+)?$/.test(text) ? Number(text) : text;
}

export function AddPart({ onAdded }: { onAdded(path: string): void }) {
  const parts = useLoaded(() => get<{ parts: Kind[] }>("design/parts"), []);
  const [kind, setKind] = useState("float");
  const [fields, setFields] = useState<ReturnType<typeof missing>>([]);
  const all = (parts.value?.parts ?? []).filter((one) => SECTIONS.includes(one.kind));
  const submit = async (event: SubmitEvent) => {
    event.preventDefault();
    const form = new FormData(event.currentTarget as HTMLFormElement);
    const id = String(form.get("id") ?? "").trim();
    const values: Record<string, unknown> = {};
    for (const field of fields) {
      const given = String(form.get(`value-${field.key}`) ?? "").trim();
      if (given !== "") values[field.key] = asValue(given);
    }
    const section = all.find((one) => one.id === kind)?.kind ?? "sensor";
    const edit: Edit = { op: "add", kind, id, values };
    if (await change([edit], w.added(id))) {
      setFields([]);
      onAdded(`${section}.${id}`);
      return;
    }
    // What is missing becomes a question; anything else is said by the page.
    const asked: Refusal | undefined = refusal.peek();
    const more = asked ? missing(asked.diagnostics, id) : [];
    if (more.length === 0) return;
    refusal.value = undefined;
    setFields((old) => [...old, ...more.filter(({ key }) => !old.some((field) => field.key === key))]);
  };
  return (
    <details>
      <summary>{w.add}</summary>
      <Waits of={parts} />
      {all.length > 0 && (
        <form onSubmit={submit}>
          <label class="field">
            <span>{w.addKind}</span>
            <select
              value={kind}
              onChange={(event) => {
                setKind(event.currentTarget.value);
                setFields([]);
              }}
            >
              {SECTIONS.map((section) => (
                <optgroup key={section} label={named(section)}>
                  {all
                    .filter((one) => one.kind === section)
                    .map((one) => (
                      <option key={one.id} value={one.id}>
                        {one.name}
                      </option>
                    ))}
                </optgroup>
              ))}
            </select>
          </label>
          <label class="field">
            <span>{w.addName}</span>
            <input name="id" required pattern="[A-Za-z0-9_\-]+" maxLength={60} placeholder={w.addExample} autocomplete="off" spellcheck={false} />
          </label>
          {fields.map((field) => (
            <label key={field.key} class="field">
              <span>{named(field.key)}</span>
              <input name={`value-${field.key}`} required placeholder={w.forExample(field.example)} autocomplete="off" spellcheck={false} />
            </label>
          ))}
          {fields.length > 0 && (
            <p class="note" role="status">
              {w.addMore}
            </p>
          )}
          <button type="submit" class="small">
            {w.addGo}
          </button>
        </form>
      )}
    </details>
  );
}
