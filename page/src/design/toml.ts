// Just enough of TOML 1.0 for the editor to set headings, keys, texts and remarks apart. The station reads the file; this only shows it.

import { StreamLanguage, type StringStream } from "@codemirror/language";

interface State {
  /** The quotes that a text of several lines is waiting for. */
  quote: string;
  isValue: boolean;
}

function through(stream: StringStream, quote: string): boolean {
  while (!stream.eol()) {
    if (stream.match(quote)) return true;
    if (quote.startsWith('"') && stream.peek() === "\\") stream.next();
    stream.next();
  }
  return false;
}

export const toml = StreamLanguage.define<State>({
  name: "toml",
  startState: () => ({ quote: "", isValue: false }),
  token(stream, state) {
    if (stream.sol() && state.quote === "") state.isValue = false;
    if (state.quote !== "") {
      if (through(stream, state.quote)) state.quote = "";
      return "string";
    }
    if (stream.eatSpace()) return null;
    if (stream.peek() === "#") {
      stream.skipToEnd();
      return "comment";
    }
    if (!state.isValue && stream.sol() && stream.peek() === "[") {
      stream.match(/^[^\]#]*\]*/);
      return "heading";
    }
    for (const quote of ['"""', "'''"]) {
      if (stream.match(quote)) {
        state.quote = through(stream, quote) ? "" : quote;
        return "string";
      }
    }
    if (stream.match(/^"(?:[^"\\]|\\.)*"?/) || stream.match(/^'[^']*'?/)) return "string";
    if (stream.eat("=")) {
      state.isValue = true;
      return "operator";
    }
    if (state.isValue && stream.match(/^(true|false)\b/)) return "bool";
    if (state.isValue && stream.match(/^[+-]?\d[\d_.eE+-]*/)) return "number";
    if (stream.match(/^[A-Za-z0-9_-]+/)) return state.isValue ? null : "propertyName";
    stream.next();
    return null;
  },
  languageData: { commentTokens: { line: "#" } },
});
