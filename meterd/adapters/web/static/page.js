"use strict";
// What changes by itself on an open page. Works without: every figure is in the page as it was loaded.
(() => {
  const language = document.documentElement.lang === "de" ? "de-DE" : "en-GB";
  const zone = document.body.dataset.zone;
  const words = language === "de-DE" ? { calendar: "Kalender", live: "verbunden", dead: "keine Verbindung, letzte Werte angezeigt", missing: "fehlt" } : { calendar: "Calendar", live: "live", dead: "no connection, last values shown", missing: "missing" };

  function power(watt) {
    for (const [step, unit] of [[1e9, "GW"], [1e6, "MW"], [1e3, "kW"]]) {
      if (Math.abs(watt) >= step) {
        const scaled = watt / step, digits = Math.abs(scaled) < 10 ? 2 : Math.abs(scaled) < 100 ? 1 : 0;
        return scaled.toLocaleString(language, { minimumFractionDigits: digits, maximumFractionDigits: digits }).replace("-", "−") + " " + unit;
      }
    }
    return watt.toLocaleString(language, { maximumFractionDigits: 0 }).replace("-", "−") + " W";
  }

  // A column has one unit, in its head, and one number of places.
  function bare(watt, column) {
    const [divisor, digits] = column.split(" ").map(Number);
    return (watt / divisor).toLocaleString(language, { minimumFractionDigits: digits, maximumFractionDigits: digits }).replace("-", "−");
  }

  // A value that is gone must not stand there as if it were true still.
  function show(place, watt) {
    const known = typeof watt === "number";
    place.textContent = !known ? words.missing : place.dataset.column ? bare(watt, place.dataset.column) : power(watt);
    place.classList.toggle("missing", !known);
  }

  // What the answer rests on has changed: the page is asked for again, unless somebody is filling in a form or has just
  // moved by keyboard: a page that begins anew would lose the place.
  const opened = performance.now(), KEY_MS = 20000;
  let asked = false, edited = false, keyed = -KEY_MS;
  document.addEventListener("input", () => { edited = true; });
  document.addEventListener("keydown", () => { keyed = performance.now(); });
  const busy = () => edited || performance.now() - keyed < KEY_MS || Boolean(document.activeElement && document.activeElement.matches("input, textarea, select"));
  function again() {
    if (asked || busy()) return;
    asked = true;
    setTimeout(() => { keepPlace(); location.reload(); }, Math.max(0, 2000 - (performance.now() - opened)));
  }

  // Who has stopped on a link and reads goes on from there when the page was asked for again.
  const PLACE = "meterd-place", stops = () => [...document.querySelectorAll("a[href], button, summary, [tabindex='0']")];
  const called = (one) => one.tagName + one.textContent.replace(/[\d.,:]+/g, "").trim();
  function keepPlace() {
    const at = stops().indexOf(document.activeElement);
    if (at >= 0) sessionStorage.setItem(PLACE, JSON.stringify([location.href, at, called(document.activeElement)]));
  }
  const kept = sessionStorage.getItem(PLACE);
  sessionStorage.removeItem(PLACE);
  if (kept) {
    const [address, at, name] = JSON.parse(kept), all = stops(), gap = (one) => Math.abs(all.indexOf(one) - at);
    const alike = all.filter((one) => called(one) === name).sort((one, two) => gap(one) - gap(two))[0];
    if (address === location.href && alike) alike.focus({ preventScroll: true });
  }

  function take(event) {
    const now = JSON.parse(event.data);
    for (const place of document.querySelectorAll("[data-power]")) show(place, now.power[place.dataset.power]);
    for (const place of document.querySelectorAll("[data-share]")) show(place, now.shares[place.dataset.share]);
    for (const place of document.querySelectorAll("[data-way]")) {
      const watt = now.power[place.dataset.way];
      place.textContent = typeof watt !== "number" ? "" : watt < 0 ? place.dataset.export : place.dataset.import;
    }
    for (const place of document.querySelectorAll("[data-bar]")) {
      place.setAttribute("width", Math.min(1000, Math.max(0, 1000 * (now.power[place.dataset.bar] || 0) / Number(place.dataset.full))));
    }
    const clock = document.querySelector("[data-clock]");
    if (clock) clock.textContent = new Date(now.at).toLocaleTimeString(language, { timeZone: zone, hour12: false });
    const main = document.querySelector("main[data-watch]");
    if (main && Object.entries(JSON.parse(main.dataset.watch)).some(([key, value]) => now.state[key] !== value)) again();
    document.dispatchEvent(new CustomEvent("meterd-now", { detail: now }));
  }

  // On a phone the pages stand in one row that scrolls: the one that is open is brought into sight.
  const here = document.querySelector("nav a[aria-current]"), row = document.querySelector("nav");
  if (here && row && row.scrollWidth > row.clientWidth) row.scrollLeft = here.offsetLeft - (row.clientWidth - here.offsetWidth) / 2;

  // A date is written by hand, so that it reads the same in every browser; a calendar at the field writes it too.
  const iso = (text) => text.trim().replace(/^(\d{1,2})\.(\d{1,2})\.(\d{4})/, (_, day, month, year) => `${year}-${month.padStart(2, "0")}-${day.padStart(2, "0")}`).replace(" ", "T");
  const dated = (text) => text.replace("T", " ").replace(/^(\d{4})-(\d\d)-(\d\d)/, language === "de-DE" ? "$3.$2.$1" : "$1-$2-$3");
  for (const field of document.querySelectorAll("input[data-pick]")) {
    const calendar = document.createElement("input"), open = document.createElement("button");
    if (!calendar.showPicker) break;
    Object.assign(calendar, { type: field.dataset.pick, tabIndex: -1, className: "calendar" });
    calendar.setAttribute("aria-hidden", "true");
    Object.assign(open, { type: "button", className: "plain", textContent: "▦", title: words.calendar });
    open.setAttribute("aria-label", words.calendar + ": " + field.labels[0].textContent.trim());
    open.addEventListener("click", () => { calendar.value = iso(field.value); calendar.showPicker(); });
    calendar.addEventListener("change", () => { if (calendar.value) field.value = dated(calendar.value); });
    const place = field.closest("label") || field;
    place.after(open, calendar);
  }

  const line = document.querySelector("[data-line]");
  const say = (text) => { if (line && line.textContent !== text) line.textContent = text; };
  if (document.body.dataset.at && "EventSource" in window) {
    const source = new EventSource(document.body.dataset.root + "/stream");
    source.addEventListener("open", () => say("● " + words.live));
    source.addEventListener("error", () => say("▲ " + words.dead));
    source.addEventListener("now", take);
  }

  // On a wall the ranking has as many rows as there is room for, below the picture or beside it.
  const ranking = document.querySelector(".wall .ranking");
  if (ranking) {
    const rows = [...ranking.tBodies[0].rows], section = ranking.closest("section");
    ranking.classList.add("measured");
    let shown = Math.min(16, rows.length);
    rows.slice(shown).forEach((row) => { row.hidden = true; });
    while (shown > 1 && section.getBoundingClientRect().right > innerWidth) rows[--shown].hidden = true;
    if (shown === rows.length) delete ranking.parentElement.dataset.more;
  }

  // A wall turns to its next page, as soon as the server answers again.
  const next = document.body.dataset.next;
  if (next) setInterval(() => fetch(next, { redirect: "manual" }).then(() => location.assign(next)).catch(() => {}), 1000 * Number(document.body.dataset.seconds));

  // A sheet that waits for something looks again by itself, unless somebody is filling in a form.
  const waiting = document.querySelector("main[data-again]");
  if (waiting) setInterval(again, 1000 * Number(waiting.dataset.again));
})();
