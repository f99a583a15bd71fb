"use strict";
// What changes by itself on an open page, and the charts. Works without: every figure is in the page as it was loaded.
(() => {
  const language = document.documentElement.lang === "de" ? "de-DE" : "en-GB";
  const zone = document.body.dataset.zone;
  const words = language === "de-DE" ? { live: "laufend", dead: "keine Verbindung, letzte Werte", time: "Zeit", missing: "fehlt" } : { live: "live", dead: "no connection, last values shown", time: "Time", missing: "missing" };

  function power(watt) {
    for (const [step, unit] of [[1e9, "GW"], [1e6, "MW"], [1e3, "kW"]]) {
      if (Math.abs(watt) >= step) {
        const scaled = watt / step, digits = Math.abs(scaled) < 10 ? 2 : Math.abs(scaled) < 100 ? 1 : 0;
        return scaled.toLocaleString(language, { minimumFractionDigits: digits, maximumFractionDigits: digits }) + " " + unit;
      }
    }
    return watt.toLocaleString(language, { maximumFractionDigits: 0 }) + " W";
  }

  // A value that is gone must not stand there as if it were true still.
  function show(place, watt) {
    const known = typeof watt === "number";
    place.textContent = known ? power(watt) : words.missing;
    place.classList.toggle("missing", !known);
  }

  // What the answer rests on has changed: the sheet is asked for again, unless somebody is filling in a form.
  const opened = performance.now();
  let asked = false;
  function again() {
    if (asked || (document.activeElement && document.activeElement.form)) return;
    asked = true;
    setTimeout(() => location.reload(), Math.max(0, 2000 - (performance.now() - opened)));
  }

  function take(event) {
    const now = JSON.parse(event.data);
    for (const place of document.querySelectorAll("[data-power]")) show(place, now.power[place.dataset.power]);
    for (const place of document.querySelectorAll("[data-share]")) show(place, now.shares[place.dataset.share]);
    const clock = document.querySelector("[data-clock]");
    if (clock) clock.textContent = new Date(now.at).toLocaleTimeString(language, { timeZone: zone, hour12: false });
    const main = document.querySelector("main[data-watch]");
    if (main && Object.entries(JSON.parse(main.dataset.watch)).some(([key, value]) => now.state[key] !== value)) again();
    document.dispatchEvent(new CustomEvent("meterd-now", { detail: now }));
  }

  // On a phone the sheets stand in one row that scrolls: the one that is open is brought into sight.
  const here = document.querySelector("nav a[aria-current]"), row = document.querySelector("nav");
  if (here && row && row.scrollWidth > row.clientWidth) row.scrollLeft = here.offsetLeft - (row.clientWidth - here.offsetWidth) / 2;

  const line = document.querySelector("[data-line]");
  const say = (text) => { if (line && line.textContent !== text) line.textContent = text; };
  if (document.body.dataset.at && "EventSource" in window) {
    const source = new EventSource("/stream");
    source.addEventListener("open", () => say("● " + words.live));
    source.addEventListener("error", () => say("▲ " + words.dead));
    source.addEventListener("now", take);
  }

  // A sheet that waits for something looks again by itself, unless somebody is filling in a form.
  const waiting = document.querySelector("main[data-again]");
  if (waiting) setTimeout(() => { if (!document.activeElement || !document.activeElement.form) location.reload(); }, 1000 * Number(waiting.dataset.again));

  // A chart is a <figure class="chart" data-chart="ID"> beside <script type="application/json" id="ID">:
  // { "x": [s since 1970], "series": [{ "label", "values": [..], "style": "step" | "dash" | "dots" | "band", "low": [..] }], "unit": "kWh" }
  // A value holds for its whole period, so every line is drawn in steps.
  const ink = (name) => getComputedStyle(document.documentElement).getPropertyValue(name).trim();
  const clockOf = (s) => new Date(s * 1000).toLocaleTimeString(language, { timeZone: zone, hour: "2-digit", minute: "2-digit", hourCycle: "h23" });
  const dayOf = (s) => new Date(s * 1000).toLocaleDateString(language, { timeZone: zone, day: "numeric", month: "short" });
  const tick = (s, step) => step >= 86400 || clockOf(s) === "00:00" ? dayOf(s) : clockOf(s); // midnight bears its date
  function draw(place) {
    const said = JSON.parse(document.getElementById(place.dataset.chart).textContent);
    const tones = ["--series-a", "--series-b", "--series-c"], dashes = [[], [6, 4], [2, 3]];
    const series = [{ label: words.time, value: (_, v) => v == null ? "–" : new Date(v * 1000).toLocaleString(language, { timeZone: zone, hour12: false, dateStyle: "medium", timeStyle: "short" }) }];
    const bands = [], data = [said.x];
    said.series.forEach((one, i) => {
      const stroke = ink(tones[i % 3]), show = (_, v) => v == null ? "–" : v.toLocaleString(language, { maximumFractionDigits: 2 }) + " " + said.unit;
      const paths = uPlot.paths.stepped({ align: 1 });
      if (one.style === "band") {
        const edge = { stroke, width: 1, dash: [4, 4], points: { show: false }, value: show, paths: uPlot.paths.stepped({ align: 1 }) };
        series.push({ ...edge, label: one.label + " +" }, { ...edge, label: one.label + " −" });
        data.push(one.values, one.low);
        bands.push({ series: [series.length - 2, series.length - 1], fill: stroke + "22" });
      } else {
        series.push({ label: one.label, stroke, width: 2, dash: dashes[{ dash: 1, dots: 2 }[one.style] || 0], points: { show: false }, value: show, paths, spanGaps: false });
        data.push(one.values);
      }
    });
    const axis = { stroke: ink("--ink"), grid: { stroke: ink("--rule"), width: 1 }, ticks: { stroke: ink("--rule") } };
    const size = () => ({ width: Math.max(280, place.clientWidth - 12), height: 260 });
    const plot = new uPlot({
      ...size(), series, bands, tzDate: (s) => uPlot.tzDate(new Date(s * 1e3), zone), scales: { x: { time: true } },
      axes: [{ ...axis, values: (_, ticks, __, ___, step) => ticks.map((s) => tick(s, step)) },
        { ...axis, size: 70, values: (_, ticks) => ticks.map((v) => v.toLocaleString(language)) }],
    }, data, place);
    new ResizeObserver(() => plot.setSize(size())).observe(place);
  }
  if ("uPlot" in window) document.querySelectorAll("[data-chart]").forEach(draw);
})();
