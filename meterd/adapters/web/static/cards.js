"use strict";
// Tables on a phone, of a site and of all sites; also those that come later.
(() => {
  // On a phone a table that does not fit is laid out again: what matters is at a side that nobody sees. Few rows become cards,
  // many become rows of some lines. Its parts say what they are, because it is laid out as none.
  const phone = matchMedia("(max-width: 48rem)"), FEW = 12, MANY = 40;
  const whole = new WeakSet(); // somebody asked for all rows
  function lay(table) {
    const rows = [...table.rows].slice(1), frame = table.parentElement, fold = frame.querySelector(".all-rows");
    table.classList.remove("cards", "rows", "folded");
    if (fold) fold.remove();
    if (!phone.matches || !table.tHead || frame.scrollWidth <= frame.clientWidth + 2) return;
    name(table, rows);
    table.classList.add("cards");
    table.classList.toggle("rows", rows.length > FEW);
    if (rows.length > MANY && !whole.has(table)) shorten(table, frame, rows.length);
  }
  // Each cell bears the head of its column.
  function name(table, rows) {
    const heads = [...table.rows[0].cells].map((cell) => cell.textContent.trim());
    table.setAttribute("role", "table");
    for (const part of [table.tHead, ...table.tBodies, table.tFoot]) if (part) part.setAttribute("role", "rowgroup");
    for (const row of table.rows) row.setAttribute("role", "row");
    for (const cell of table.tHead.querySelectorAll("th")) cell.setAttribute("role", "columnheader");
    for (const row of rows) {
      let column = 0; // a sum reaches over columns that have none
      for (const cell of row.cells) {
        const head = heads[column + cell.colSpan - 1];
        cell.setAttribute("role", cell.tagName === "TH" ? "rowheader" : "cell");
        cell.classList.toggle("blank", ["", "–"].includes(cell.textContent.trim()));
        if (head) cell.dataset.head = head;
        column += cell.colSpan;
      }
    }
  }
  // A long table begins with some rows, so that what stands below it stays within reach.
  function shorten(table, frame, count) {
    const button = document.createElement("button");
    button.type = "button";
    button.className = "plain all-rows";
    button.textContent = (document.body.dataset.allRows || "").replace("#", count);
    button.addEventListener("click", () => { whole.add(table); table.classList.remove("folded"); button.remove(); });
    table.classList.add("folded");
    frame.append(button);
  }
  const layAll = () => document.querySelectorAll(".wide > table").forEach(lay);
  layAll();
  phone.addEventListener("change", layAll);
  document.addEventListener("toggle", layAll, true);
  const tables = (node) => node.nodeType === Node.ELEMENT_NODE && (node.matches("table") || node.querySelector("table"));
  new MutationObserver((changes) => { if (changes.some((change) => [...change.addedNodes].some(tables))) layAll(); })
    .observe(document.body, { childList: true, subtree: true });
})();
