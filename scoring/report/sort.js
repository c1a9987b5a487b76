// Tables that can be sorted: a button in every heading, by the number in data-v or else by the words.
for (const table of document.querySelectorAll("table.sortable")) {
  const body = table.tBodies[0];
  const heads = [...table.tHead.rows[0].cells];
  const value = (row, at) => row.cells[at].dataset.v ?? row.cells[at].textContent.trim();
  heads.forEach((head, at) => {
    const button = document.createElement("button");
    button.type = "button";
    button.append(...head.childNodes);
    head.append(button);
    button.addEventListener("click", () => {
      const falling = head.getAttribute("aria-sort") === "ascending";
      heads.forEach((other) => other.removeAttribute("aria-sort"));
      head.setAttribute("aria-sort", falling ? "descending" : "ascending");
      const rows = [...body.rows].map((row) => [value(row, at), row]);
      rows.sort(([a], [b]) => {
        // what has no value stays at the end, whichever way
        if (a === "" || b === "") return (a === "") - (b === "");
        const order = isNaN(a) || isNaN(b) ? a.localeCompare(b) : a - b;
        return falling ? -order : order;
      });
      body.append(...rows.map(([, row]) => row));
    });
  });
}
