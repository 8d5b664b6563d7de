// Prints one thing alone, on pages of its own; everything else of the page is left out.

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
