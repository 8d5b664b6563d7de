// Requests to the station. Every failure becomes a `Problem` whose text says what happened and what to do.

import { words } from "../words.ts";

/** An answer other than success (RFC 9457), or no answer at all. */
export class Problem extends Error {
  constructor(
    /** Last word of its `type`, such as `code-needed`; `no-answer` where none came. */
    readonly id: string,
    readonly title: string,
    readonly detail: string,
    readonly status: number,
  ) {
    super(detail);
  }
}

/** A command may wait for its board; nothing waits longer than the station does. */
const LONGEST_MS = 45_000;

export async function problemOf(response: Response): Promise<Problem> {
  try {
    const body = (await response.json()) as { type?: string; title?: string; detail?: string };
    const id = (body.type ?? "").split(":").pop() || "unknown";
    return new Problem(id, body.title ?? words.problem.title, body.detail ?? words.problem.unclear, response.status);
  } catch {
    return new Problem("unknown", words.problem.title, words.problem.status(response.status), response.status);
  }
}

/** Called when the station says that nobody is logged in any more. */
export let onLogInNeeded: () => void = () => {};
export function whenLogInNeeded(act: () => void): void {
  onLogInNeeded = act;
}

async function ask(method: string, path: string, body?: unknown): Promise<Response> {
  return fetched(method, path, body === undefined ? {} : { headers: { "content-type": "application/json" }, body: JSON.stringify(body) });
}

async function fetched(method: string, path: string, what: Pick<RequestInit, "headers" | "body">): Promise<Response> {
  let response: Response;
  try {
    response = await fetch(path, { method, signal: AbortSignal.timeout(LONGEST_MS), ...what });
  } catch {
    const isWrite = method !== "GET";
    throw new Problem("no-answer", words.problem.noAnswer, isWrite ? words.problem.noAnswerWrite : words.problem.noAnswerRead, 0);
  }
  if (!response.ok) {
    const problem = await problemOf(response);
    if (problem.id === "log-in") onLogInNeeded();
    throw problem;
  }
  return response;
}

export async function get<T>(path: string): Promise<T> {
  return (await (await ask("GET", `/api/v1/${path}`)).json()) as T;
}

export async function post<T>(path: string, body?: unknown): Promise<T> {
  return (await (await ask("POST", `/api/v1/${path}`, body)).json()) as T;
}

export async function put<T>(path: string, body: unknown): Promise<T> {
  return (await (await ask("PUT", `/api/v1/${path}`, body)).json()) as T;
}

export async function remove<T>(path: string, body?: unknown): Promise<T> {
  return (await (await ask("DELETE", `/api/v1/${path}`, body)).json()) as T;
}

/** Sends a file as it is. */
export async function sendFile<T>(method: "POST" | "PUT", path: string, file: Blob): Promise<T> {
  return (await (await fetched(method, `/api/v1/${path}`, { headers: { "content-type": "application/octet-stream" }, body: file })).json()) as T;
}

/** A failure as a sentence. */
export function said(error: unknown): string {
  return error instanceof Problem ? error.detail : String(error);
}

/** A path of parts, each encoded. */
export function path(...parts: (string | number)[]): string {
  return parts.map((part) => encodeURIComponent(String(part))).join("/");
}
