// A request whose answer comes as server-sent events: a study, mends. Ending it ends the work at the station.

import { onLogInNeeded, Problem, problemOf } from "./client.ts";
import { Parser } from "./stream.ts";
import { words } from "../words.ts";

/** Sends a body and hands on each message until the station has said all. */
export async function events(path: string, body: unknown, message: (event: string, data: unknown) => void, signal: AbortSignal): Promise<void> {
  let response: Response;
  try {
    response = await fetch(`/api/v1/${path}`, {
      method: "POST",
      headers: { "content-type": "application/json", accept: "text/event-stream" },
      body: JSON.stringify(body),
      signal,
    });
  } catch (error) {
    if (signal.aborted) return;
    throw new Problem("no-answer", words.problem.noAnswer, words.problem.noAnswerRead, 0);
  }
  if (!response.ok || !response.body) {
    const problem = await problemOf(response);
    if (problem.id === "log-in") onLogInNeeded();
    throw problem;
  }
  const parser = new Parser();
  const text = new TextDecoder();
  const reader = response.body.getReader();
  try {
    for (;;) {
      const { done, value } = await reader.read();
      if (done) return;
      for (const one of parser.push(text.decode(value, { stream: true }))) message(one.event, JSON.parse(one.data));
    }
  } catch (error) {
    if (signal.aborted) return;
    if (error instanceof TypeError) throw new Problem("no-answer", words.problem.noAnswer, words.problem.noAnswerRead, 0);
    throw error;
  }
}
