// Controllers that somebody built and that are only listened to: what they do, what the rules would do, and where these differ.

import { useEffect, useState } from "preact/hooks";
import { get, path, post, said } from "../api/client.ts";
import type { JoinedNow, JoinedOutput } from "../api/types.ts";
import { stationNow } from "../live.ts";
import { useLoaded } from "../load.ts";
import { At } from "../parts/at.tsx";
import { Waits } from "../parts/state.tsx";
import { mayAct } from "../session.ts";
import { span } from "../time.ts";
import { named, sentence, words } from "../words.ts";

/** Asked again so often, ms. */
const EVERY = 5_000;

export function Joined() {
  const all = useLoaded(() => get<JoinedNow[]>("joined"), []);
  useEffect(() => {
    const timer = setInterval(all.again, EVERY);
    return () => clearInterval(timer);
  }, [all.again]);
  return (
    <>
      <Waits of={all} />
      {all.value?.length === 0 && <p class="calm">{words.joined.none}</p>}
      {all.value?.map((one) => (
        <One key={one.name} of={one} />
      ))}
    </>
  );
}

function One({ of }: { of: JoinedNow }) {
  const now = stationNow.value;
  return (
    <section aria-labelledby={`joined-${of.name}`}>
      <h2 id={`joined-${of.name}`}>{words.joined.title(of.name, of.system)}</h2>
      <p class={of.is_silent || !of.is_up ? "bad" : "note"}>
        {of.is_up ? words.joined.heard(of.line) : words.joined.notHeard(of.line, of.why ?? words.joined.noReason)}{" "}
        {of.newest_ms !== undefined && words.joined.newest(span(Math.max(0, now - of.newest_ms)))}
      </p>
      {of.since_ms === undefined ? (
        <p class="pending">{words.joined.notBegun}</p>
      ) : (
        <p class="note">
          {words.joined.since} <At ms={of.since_ms} />
          {!of.is_running && `; ${words.joined.rest}`}
        </p>
      )}
      <h3>{words.joined.outputs}</h3>
      <ul class="sentences">
        {of.outputs.map((output) => (
          <Output key={output.name} of={output} />
        ))}
      </ul>
      <Sentences title={words.joined.inputs} lines={of.inputs} />
      <Sentences title={words.joined.notes} lines={of.notes} />
      {mayAct.value && <Reset of={of} />}
      <h3>{words.joined.differences}</h3>
      {of.differences.length === 0 && <p class="calm">{words.joined.noDifference}</p>}
      <ol class="sentences">
        {of.differences.map((difference) => (
          <li key={`${difference.output}${difference.from_ms}`}>{sentence(difference.sentence)}</li>
        ))}
      </ol>
      {of.n_more_differences > 0 && <p class="note">{words.joined.more(of.n_more_differences)}</p>}
      {of.refused.length > 0 && (
        <details>
          <summary>{words.joined.refused(of.n_understood, of.n_lines)}</summary>
          <ul class="sentences">
            {of.refused.map((refused) => (
              <li key={refused.reason}>
                {words.joined.lines(refused.n)} {sentence(refused.means)} <code>{refused.example}</code>
              </li>
            ))}
          </ul>
        </details>
      )}
    </section>
  );
}

function Output({ of }: { of: JoinedOutput }) {
  const state = (duty: number | undefined) => {
    if (duty === undefined) return words.joined.unknown;
    if (of.is_modulated) return words.joined.duty(duty);
    return duty > 0 ? words.hand.on : words.hand.off;
  };
  const differs = of.differs_since_ms !== undefined;
  return (
    <li>
      <p class={differs ? "bad" : ""}>
        <b>{named(of.name)}</b>: {words.joined.both(state(of.theirs), state(of.ours))}
        {differs && of.because !== undefined && ` ${words.joined.because(of.because)}`}
      </p>
      {of.sentences.map((line) => (
        <p class="note" key={line}>
          {sentence(line)}
        </p>
      ))}
    </li>
  );
}

function Sentences({ title, lines }: { title: string; lines: string[] }) {
  if (lines.length === 0) return null;
  return (
    <>
      <h3>{title}</h3>
      <ul class="sentences">
        {lines.map((line) => (
          <li key={line}>{sentence(line)}</li>
        ))}
      </ul>
    </>
  );
}

function Reset({ of }: { of: JoinedNow }) {
  const [result, setResult] = useState<{ text: string; isGood: boolean }>();
  const reset = async () => {
    try {
      const told = await post<{ words: string }>(`joined/${path(of.name)}/reset-trips`);
      setResult({ text: told.words, isGood: true });
    } catch (error) {
      setResult({ text: said(error), isGood: false });
    }
  };
  return (
    <div class="row">
      <button type="button" onClick={reset}>
        {words.joined.reset}
      </button>
      <div aria-live="polite">{result && <p class={result.isGood ? "good" : "bad"}>{result.text}</p>}</div>
    </div>
  );
}
