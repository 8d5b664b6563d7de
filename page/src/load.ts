// Something that is asked of the station when a view opens, and again when what it depends on changes.

import { useCallback, useEffect, useState } from "preact/hooks";
import { said } from "./api/client.ts";

export interface Loaded<T> {
  value: T | undefined;
  problem: string;
  isLoading: boolean;
  again(): void;
}

export function useLoaded<T>(ask: () => Promise<T>, on: readonly unknown[]): Loaded<T> {
  const [value, setValue] = useState<T>();
  const [problem, setProblem] = useState("");
  const [isLoading, setLoading] = useState(true);
  const [n, setN] = useState(0);
  useEffect(() => {
    let isCurrent = true;
    setLoading(true);
    ask().then(
      (value) => {
        if (!isCurrent) return;
        setValue(value);
        setProblem("");
        setLoading(false);
      },
      (error) => {
        if (!isCurrent) return;
        setProblem(said(error));
        setLoading(false);
      },
    );
    return () => {
      isCurrent = false;
    };
  }, [...on, n]);
  const again = useCallback(() => setN((n) => n + 1), []);
  return { value, problem, isLoading, again };
}
