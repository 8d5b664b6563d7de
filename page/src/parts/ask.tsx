// A dialog that asks, sends, waits for the outcome and says it. Nothing is shown as done before the station says so.

import type { ComponentChildren } from "preact";
import { useEffect, useRef, useState } from "preact/hooks";
import { said } from "../api/client.ts";
import { words } from "../words.ts";

/** What `send` gives where something more is to be asked in the same form. */
export const MORE = Symbol("more");

interface Props {
  title: string;
  children: ComponentChildren;
  go: string;
  waiting?: string;
  /** Sends; gives what to show afterwards, nothing to close at once, or `MORE` to go on asking. */
  send(form: FormData): Promise<ComponentChildren | typeof MORE | undefined>;
  onClose(): void;
}

export function Ask({ title, children, go, waiting, send, onClose }: Props) {
  const dialog = useRef<HTMLDialogElement>(null);
  const [isBusy, setBusy] = useState(false);
  const [outcome, setOutcome] = useState<ComponentChildren>(undefined);
  const [problem, setProblem] = useState("");
  useEffect(() => {
    dialog.current?.showModal();
  }, []);
  const submit = async (event: SubmitEvent) => {
    event.preventDefault();
    const form = new FormData(event.currentTarget as HTMLFormElement);
    setBusy(true);
    setProblem("");
    try {
      const shown = await send(form);
      if (shown === undefined) onClose();
      else if (shown !== MORE) setOutcome(shown as ComponentChildren);
    } catch (error) {
      setProblem(said(error));
    } finally {
      setBusy(false);
    }
  };
  return (
    <dialog ref={dialog} aria-labelledby="ask-title" onClose={onClose}>
      <h2 id="ask-title">{title}</h2>
      <div aria-live="polite">
        {isBusy && waiting && <p class="pending">{waiting}</p>}
        {problem !== "" && <p class="bad">{problem}</p>}
        {outcome}
      </div>
      {outcome === undefined ? (
        <form onSubmit={submit}>
          {children}
          <div class="row end">
            <button type="button" onClick={onClose}>
              {isBusy ? words.close : words.cancel}
            </button>
            <button type="submit" class="main" disabled={isBusy}>
              {go}
            </button>
          </div>
        </form>
      ) : (
        <div class="row end">
          <button type="button" class="main" onClick={onClose}>
            {words.close}
          </button>
        </div>
      )}
    </dialog>
  );
}

export function Why({ example }: { example: string }) {
  return (
    <label class="field">
      <span>{words.safe.why}</span>
      <input name="why" required maxLength={200} placeholder={example} autocomplete="off" />
    </label>
  );
}

export function text(form: FormData, name: string): string {
  const value = form.get(name);
  return typeof value === "string" ? value.trim() : "";
}
