// Server-sent events over `fetch`: unlike EventSource it shows the signs of life of a quiet line, so a line that died unnoticed is noticed, and
// what the station answers when it refuses.

export interface Message {
  event: string;
  data: string;
}

/** Takes pieces of a stream, gives whole messages (WHATWG HTML, server-sent events). */
export class Parser {
  #rest = "";
  #event = "";
  #data: string[] = [];
  /** Id of the last message that was whole. */
  lastId = "";
  #id = "";

  push(piece: string): Message[] {
    const messages: Message[] = [];
    this.#rest += piece;
    for (;;) {
      const end = this.#rest.search(/\r\n|\n|\r/);
      // A CR at the very end may be half of a CR LF.
      if (end < 0 || (this.#rest[end] === "\r" && end === this.#rest.length - 1)) return messages;
      const line = this.#rest.slice(0, end);
      this.#rest = this.#rest.slice(end + (this.#rest.startsWith("\r\n", end) ? 2 : 1));
      if (line === "") {
        this.lastId = this.#id;
        if (this.#data.length > 0) messages.push({ event: this.#event || "message", data: this.#data.join("\n") });
        this.#event = "";
        this.#data = [];
        continue;
      }
      const colon = line.indexOf(":");
      if (colon === 0) continue;
      const field = colon < 0 ? line : line.slice(0, colon);
      const value = colon < 0 ? "" : line.slice(colon + 1).replace(/^ /, "");
      if (field === "data") this.#data.push(value);
      else if (field === "event") this.#event = value;
      else if (field === "id" && !value.includes("\0")) this.#id = value;
    }
  }
}

/** How long to wait before the n-th try, ms: doubled up to half a minute, spread so that many pages do not come at once. */
export function pause(n: number, random: number): number {
  return Math.min(1000 * 2 ** Math.min(n, 10), 30_000) * (0.75 + random / 2);
}

/** The station gives a sign of life every 15 s. */
export const SILENCE_MS = 40_000;

export interface Hooks {
  message(message: Message): void;
  /** The line stands. */
  open(): void;
  /** The line is lost; the next try comes in so many ms. */
  lost(nextMs: number): void;
  /** The station refuses; true: try again later, false: no more. */
  refused(response: Response): Promise<boolean>;
}

/** Reads the stream for good; gives a function that ends it, and one that tries at once. */
export function follow(url: string, hooks: Hooks): { end(): void; now(): void } {
  let isOver = false;
  let tries = 0;
  let lastId = "";
  let line = new AbortController();
  let wake = () => {};

  const once = async () => {
    line = new AbortController();
    let silence = setTimeout(() => line.abort(), SILENCE_MS);
    try {
      const headers: Record<string, string> = lastId ? { "last-event-id": lastId } : {};
      const response = await fetch(url, { headers, signal: line.signal, cache: "no-store" });
      if (!response.ok || !response.body) {
        if (!(await hooks.refused(response))) isOver = true;
        return;
      }
      tries = 0;
      hooks.open();
      const parser = new Parser();
      const text = new TextDecoder();
      const reader = response.body.getReader();
      for (;;) {
        const { done, value } = await reader.read();
        if (done || isOver) return;
        clearTimeout(silence);
        silence = setTimeout(() => line.abort(), SILENCE_MS);
        for (const message of parser.push(text.decode(value, { stream: true }))) hooks.message(message);
        lastId = parser.lastId || lastId;
      }
    } finally {
      clearTimeout(silence);
    }
  };

  void (async () => {
    while (!isOver) {
      await once().catch(() => {});
      if (isOver) return;
      const wait = pause(tries, Math.random());
      tries += 1;
      hooks.lost(wait);
      await new Promise<void>((go) => {
        const timer = setTimeout(go, wait);
        wake = () => {
          clearTimeout(timer);
          go();
        };
      });
    }
  })();

  return {
    end() {
      isOver = true;
      line.abort();
      wake();
    },
    now() {
      tries = 0;
      wake();
    },
  };
}
