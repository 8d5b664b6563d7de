// Printing: one thing alone, on pages of its own, and what is drawn otherwise on paper.

import { flushSync } from "preact/compat";
import { useEffect, useState } from "preact/hooks";

/** Whether the page is being printed. */
export function usePrinting(): boolean {
  const [isPrinting, setPrinting] = useState(false);
  useEffect(() => {
    const before = () => flushSync(() => setPrinting(true));
    const after = () => setPrinting(false);
    addEventListener("beforeprint", before);
    addEventListener("afterprint", after);
    return () => {
      removeEventListener("beforeprint", before);
      removeEventListener("afterprint", after);
    };
  }, []);
  return isPrinting;
}

/** Everything else of the page is left out. */
export function printOnly(element: Element): void {
  const root = document.documentElement;
  root.dataset["print"] = "";
  element.setAttribute("data-printed", "");
  addEventListener(
    "afterprint",
    () => {
      delete root.dataset["print"];
      element.removeAttribute("data-printed");
    },
    { once: true },
  );
  print();
}
