// A new file from a few questions, which the station asks and answers for.

import { useState } from "preact/hooks";
import { get, said } from "../api/client.ts";
import type { Answers, Question, Questions as All } from "../api/design.ts";
import { useLoaded } from "../load.ts";
import { Waits } from "../parts/state.tsx";
import { words } from "../words.ts";

const w = words.design;

export function Questions({ send }: { send(answers: Answers): Promise<void> }) {
  const all = useLoaded(() => get<All>("design/questions"), []);
  const [problem, setProblem] = useState("");
  const [isBusy, setBusy] = useState(false);
  const submit = async (event: SubmitEvent) => {
    event.preventDefault();
    const form = new FormData(event.currentTarget as HTMLFormElement);
    const answers: Answers = {};
    for (const field of all.value?.groups.flatMap(({ fields }) => fields) ?? []) {
      const given = form.get(field.id);
      if (field.kind === "yes") answers[field.id] = given !== null;
      else if (typeof given === "string" && given.trim() !== "") answers[field.id] = answerOf(field, given.trim());
    }
    setBusy(true);
    setProblem("");
    try {
      await send(answers);
    } catch (error) {
      setProblem(said(error));
    }
    setBusy(false);
  };
  return (
    <>
      <Waits of={all} />
      {all.value && (
        <form class="questions" onSubmit={submit}>
          {all.value.groups.map((group) => (
            <fieldset key={group.id}>
              <legend>{group.title}</legend>
              {group.fields.map((field) => (
                <QuestionField key={field.id} field={field} />
              ))}
            </fieldset>
          ))}
          {problem !== "" && (
            <p class="bad" role="alert">
              {problem}
            </p>
          )}
          <button type="submit" class="main" disabled={isBusy}>
            {w.startGo}
          </button>
        </form>
      )}
    </>
  );
}

/** Lengths and volumes go as texts with their unit. */
function answerOf(field: Question, given: string): string | number {
  if (field.kind === "number") return Number(given);
  return field.unit && /^[+-]?[\d.]+$/.test(given) ? `${given} ${field.unit}` : given;
}

function QuestionField({ field }: { field: Question }) {
  const fallback = field.default === undefined || field.default === null ? "" : String(field.default);
  if (field.kind === "yes") {
    return (
      <label class="check">
        <input type="checkbox" name={field.id} defaultChecked={field.default === true} />
        <span>
          {field.label} {field.help && <small class="note">{field.help}</small>}
        </span>
      </label>
    );
  }
  return (
    <label class="field">
      <span>
        {field.label}
        {field.unit && field.kind === "number" ? ` (${field.unit})` : ""}
      </span>
      {field.kind === "choice" ? (
        <select name={field.id} defaultValue={fallback}>
          {field.choices?.map((choice) => {
            const [value, label] = typeof choice === "string" ? [choice, choice] : [choice.id, choice.label];
            return (
              <option key={value} value={value} selected={value === fallback}>
                {label}
              </option>
            );
          })}
        </select>
      ) : (
        <input name={field.id} defaultValue={fallback} inputMode={field.kind === "text" ? "text" : "decimal"} autocomplete="off" />
      )}
      {field.help && <small class="note">{field.help}</small>}
    </label>
  );
}
