"use strict";
// Tables on a phone, of a site and of all sites; also those that come later.
(() => {
  // On a phone a table of few rows that does not fit becomes cards: what matters is at a side that nobody sees. Its parts say
  // what they are, because it is laid out as none.
  const phone = matchMedia("(max-width: 48rem)"), FEW = 12;
  function lay(table) {
    table.classList.remove("cards");
    const rows = [...table.rows].slice(1), frame = table.parentElement;
    if (!phone.matches || rows.length > FEW || frame.scrollWidth <= frame.clientWidth + 2) return;
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
        cell.classList.toggle("blank", !cell.textContent.trim());
        if (head) cell.dataset.head = head;
        column += cell.colSpan;
      }
    }
    table.classList.add("cards");
  }
  const layAll = () => document.querySelectorAll(".wide > table").forEach(lay);
  layAll();
  phone.addEventListener("change", layAll);
  document.addEventListener("toggle", layAll, true);
  const tables = (node) => node.nodeType === Node.ELEMENT_NODE && (node.matches("table") || node.querySelector("table"));
  new MutationObserver((changes) => { if (changes.some((change) => [...change.addedNodes].some(tables))) layAll(); })
    .observe(document.body, { childList: true, subtree: true });
})();
