// The view for somebody who is woken: the station's words in the order of reading, one safe act, and nothing else above the fold.

import { useEffect, useState } from "preact/hooks";
import { get, path, post, said } from "../api/client.ts";
import type { AlarmNow, Night as NightBody } from "../api/types.ts";
import { alarmChanges, line, needsAcknowledgement, state, tick } from "../live.ts";
import { useLoaded } from "../load.ts";
import { At } from "../parts/at.tsx";
import { Stale, theBoard } from "../parts/boards.tsx";
import { MakeSafe } from "../parts/safe.tsx";
import { Waits } from "../parts/state.tsx";
import { go } from "../router.ts";
import { mayAct } from "../session.ts";
import { sentence, words } from "../words.ts";

/** The words are asked for again so often, ms. */
const AGAIN_MS = 30_000;

export function Night() {
  const round = Math.floor(tick.value / AGAIN_MS);
  const night = useLoaded(() => get<NightBody>("night"), [round, alarmChanges.value, line.value.is]);
  // The board that the leading alarm is of.
  const name = night.value?.alarm?.split("/")[0];
  const board = state.value?.boards.find((one) => one.name === name) ?? theBoard();
  return (
    <div class="night">
      {board && <Stale board={board} />}
      <Waits of={night} />
      {night.value?.sections.map((section, n) => (
        <section key={section.title} class={n === 0 ? "first" : ""}>
          <h2>{section.title}</h2>
          {section.lines.map((text) => (
            <p key={text}>{sentence(text)}</p>
          ))}
          {n === 0 && (
            <div class="row">
              {board && <MakeSafe board={board} />}
              <Acknowledge alarms={state.value?.alarms ?? []} />
            </div>
          )}
        </section>
      ))}
      {night.value && (
        <p class="note">
          <AsOf ms={night.value.at_ms} />
        </p>
      )}
      <p class="row">
        <button type="button" onClick={() => go("alarms")}>
          {words.night.toAlarms}
        </button>
        <button type="button" onClick={() => go("now")}>
          {words.night.toSection}
        </button>
      </p>
    </div>
  );
}

function AsOf({ ms }: { ms: number }) {
  const [before, after] = words.night.asOf("\0").split("\0");
  return (
    <>
      {before}
      <At ms={ms} />
      {after}
    </>
  );
}

function Acknowledge({ alarms }: { alarms: AlarmNow[] }) {
  const open = alarms.filter((alarm) => needsAcknowledgement(alarm.state));
  const [problem, setProblem] = useState("");
  const [isBusy, setBusy] = useState(false);
  useEffect(() => setProblem(""), [open.length]);
  if (!mayAct.value || open.length === 0) return null;
  const take = async () => {
    setBusy(true);
    try {
      for (const alarm of open) await post(`alarms/${path(alarm.id)}/acknowledge`);
    } catch (error) {
      setProblem(said(error));
    }
    setBusy(false);
  };
  return (
    <>
      <button type="button" disabled={isBusy} onClick={take}>
        {words.night.acknowledge}
      </button>
      {problem !== "" && (
        <p class="bad" role="alert">
          {problem}
        </p>
      )}
    </>
  );
}
