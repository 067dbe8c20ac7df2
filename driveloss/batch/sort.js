// Sorts the table by the column whose head is pressed, the other way round when pressed again. Nothing is fetched.
"use strict";
(() => {
  const table = document.getElementById("benches");
  if (table === null) return;
  const heads = [...table.tHead.rows[0].cells];
  const body = table.tBodies[0];

  function compared(a, b, isNumber) {
    return isNumber ? Number(a) - Number(b) : a.localeCompare(b, undefined, { numeric: true });
  }

  function sort(column) {
    const head = heads[column];
    const way = head.getAttribute("aria-sort") === "ascending" ? -1 : 1;
    const isNumber = !head.classList.contains("words");
    const key = (row) => row.cells[column].dataset.key;
    const [known, unknown] = [(row) => key(row) !== "", (row) => key(row) === ""];
    const rows = [...body.rows];
    const sorted = rows.filter(known).sort((a, b) => way * compared(key(a), key(b), isNumber));
    body.append(...sorted, ...rows.filter(unknown));
    heads.forEach((other) => other.setAttribute("aria-sort", "none"));
    head.setAttribute("aria-sort", way === 1 ? "ascending" : "descending");
  }

  heads.forEach((head, column) => {
    const button = document.createElement("button");
    button.type = "button";
    button.textContent = head.textContent;
    button.addEventListener("click", () => sort(column));
    head.replaceChildren(button);
    head.setAttribute("aria-sort", "none");
  });
})();
