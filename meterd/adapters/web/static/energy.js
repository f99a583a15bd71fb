"use strict";
// Reading, zooming and saving of the chart of energies. Without it every choice is a link, and every figure is in a table.
(() => {
  const root = document.body.dataset.root, zone = document.body.dataset.zone;
  const language = document.documentElement.lang === "de" ? "de-DE" : "en-GB";
  const words = language === "de-DE" ? { missing: "fehlt", soft: "geschätzt oder nicht zu Ende" } : { missing: "missing", soft: "estimated or not over" };
  const plot = document.querySelector(".plot[data-plot=time]"), source = document.getElementById("plot-data");
  const shown = () => [...document.querySelectorAll("svg.picture")].find((one) => one.getBoundingClientRect().width > 0);

  // -- saving: the picture with the style it has on the page, drawn once more on a canvas
  const save = document.getElementById("png");
  const LOOKS = ["fill", "fill-opacity", "stroke", "stroke-width", "stroke-dasharray", "font-size", "font-weight", "font-family", "text-anchor"];
  function standalone(svg) {
    const copy = svg.cloneNode(true), from = svg.querySelectorAll("*"), to = copy.querySelectorAll("*");
    from.forEach((one, i) => {
      const style = getComputedStyle(one);
      for (const look of LOOKS) {
        // a reference to a pattern is written against the address of the page; in a file of its own it is only a name
        const value = style.getPropertyValue(look).replace(/url\("?[^"#)]*#([^")]+)"?\)/, "url(#$1)");
        to[i].setAttribute(look, value);
      }
    });
    copy.querySelectorAll(".cursor").forEach((one) => one.remove());
    const box = svg.viewBox.baseVal;
    copy.setAttribute("xmlns", "http://www.w3.org/2000/svg");
    copy.setAttribute("width", box.width);
    copy.setAttribute("height", box.height);
    return [new XMLSerializer().serializeToString(copy), box];
  }
  function savePng() {
    const [text, box] = standalone(shown()), image = new Image(), canvas = document.createElement("canvas");
    canvas.width = box.width * 2;
    canvas.height = box.height * 2;
    image.onload = () => {
      const pen = canvas.getContext("2d");
      pen.fillStyle = getComputedStyle(document.documentElement).getPropertyValue("--card").trim();
      pen.fillRect(0, 0, canvas.width, canvas.height);
      pen.drawImage(image, 0, 0, canvas.width, canvas.height);
      const link = document.createElement("a");
      link.download = save.dataset.name + ".png";
      link.href = canvas.toDataURL("image/png");
      link.click();
    };
    image.src = "data:image/svg+xml;charset=utf-8," + encodeURIComponent(text);
  }
  if (save) {
    save.hidden = false;
    save.addEventListener("click", savePng);
  }

  // what takes seconds comes behind the first picture, into its place; without this it is a link
  const late = document.querySelector("section[data-later]");
  if (late) {
    fetch(late.dataset.later).then((answer) => answer.text()).then((text) => {
      const made = new DOMParser().parseFromString(text, "text/html").querySelector("section[aria-labelledby=item-costs]");
      if (made) late.replaceWith(made);
    }).catch(() => late.removeAttribute("aria-busy"));
  }
  if (!plot || !source) return;

  const data = JSON.parse(source.textContent), edges = data.edges, count = edges.length - 1;
  const reading = document.querySelector("output.reading");
  const unit = (v) => {
    const [factor, prefix] = Math.abs(v) >= 1e7 ? [1e6, "M"] : Math.abs(v) >= 1e3 ? [1e3, "k"] : [1, ""];
    const digits = factor === 1 ? 0 : Math.abs(v / factor) < 10 ? 2 : 1;
    return (v / factor).toLocaleString(language, { minimumFractionDigits: digits, maximumFractionDigits: digits }).replace("-", "−") + " " + prefix + (data.power ? "W" : "Wh");
  };
  const when = (ms) => new Date(ms).toLocaleString(language, { timeZone: zone, weekday: "short", day: "numeric", month: "short", year: "numeric", hour: "2-digit", minute: "2-digit", hourCycle: "h23" });
  let column = -1, line = 0;

  const number = (svg, key) => Number(svg.dataset[key]);
  // from the screen to units of the picture, and from these to time
  function place(svg, event) {
    const box = svg.getBoundingClientRect(), view = svg.viewBox.baseVal;
    return [(event.clientX - box.left) * view.width / box.width, (event.clientY - box.top) * view.height / box.height];
  }
  const timeAt = (svg, x) => edges[0] + (edges[count] - edges[0]) * Math.min(1, Math.max(0, (x - number(svg, "left")) / (number(svg, "right") - number(svg, "left"))));
  const xAt = (svg, ms) => number(svg, "left") + (number(svg, "right") - number(svg, "left")) * (ms - edges[0]) / (edges[count] - edges[0]);
  const columnAt = (ms) => Math.max(0, edges.findIndex((_, i) => i === count - 1 || ms < edges[i + 1]));

  function mark(svg, low, high) {
    let box = svg.querySelector(".cursor");
    if (!box) {
      box = document.createElementNS("http://www.w3.org/2000/svg", "rect");
      box.setAttribute("class", "cursor");
      svg.append(box);
    }
    box.setAttribute("x", Math.min(low, high));
    box.setAttribute("width", Math.max(1, Math.abs(high - low)));
    box.setAttribute("y", svg.dataset.top);
    box.setAttribute("height", number(svg, "bottom") - number(svg, "top"));
  }
  function read(i) {
    column = i;
    const svg = shown();
    mark(svg, xAt(svg, edges[i]), xAt(svg, edges[i + 1]));
    const figures = data.series.map((one, j) => {
      const value = one.values[i];
      const said = value === null ? words.missing : unit(value) + (one.soft.includes(i) ? " (" + words.soft + ")" : "");
      return (j === line && data.series.length > 1 ? "▸ " : "") + one.name + ": " + said;
    });
    reading.textContent = when(edges[i]) + " – " + (edges[i] < data.until ? figures.join("; ") : "…");
  }
  function why(i, j) {
    const one = data.series[j];
    if (!one || !one.why || one.values[i] === null || one.partial.includes(i)) return;
    location.href = root + one.why.replace("{start}", edges[i]).replace("{end}", edges[i + 1]).replace("{step}", data.step);
  }
  function zoom(low, high) {
    const least = edges[1] - edges[0] > 3600000 ? 86400000 : 3600000;
    if (high - low < least) [low, high] = [(low + high - least) / 2, (low + high + least) / 2];
    location.href = root + data.again + "&from=" + Math.round(low) + "&until=" + Math.round(high);
  }
  const wider = () => document.getElementById("wider")?.click();

  // which line was meant: the one whose area, bar or value is nearest
  function lineAt(svg, i, x, y) {
    const value = number(svg, "high") - (number(svg, "high") - number(svg, "low")) * (y - number(svg, "top")) / (number(svg, "bottom") - number(svg, "top"));
    if (data.form === "bars") {
      const part = (x - xAt(svg, edges[i])) / (xAt(svg, edges[i + 1]) - xAt(svg, edges[i]));
      return Math.min(data.series.length - 1, Math.max(0, Math.floor((part - 0.15) / 0.7 * data.series.length)));
    }
    let best = 0, nearest = Infinity, sum = 0;
    data.series.forEach((one, j) => {
      const own = (one.values[i] || 0) / data.divisor;
      const gap = data.form === "stacked" ? (value >= sum && value < sum + own ? -1 : Math.abs(value - sum - own / 2) - own / 2) : Math.abs(value - own);
      if (gap < nearest) [best, nearest] = [j, gap];
      if (data.form === "stacked") sum += own;
    });
    return best;
  }

  // what lay below both fingers lies below them afterwards; fingers that meet show at most ten times as much
  function pinched(svg) {
    const box = svg.getBoundingClientRect(), share = box.width / svg.viewBox.baseVal.width;
    const left = box.left + number(svg, "left") * share, right = box.left + number(svg, "right") * share;
    const at = (px) => edges[0] + (edges[count] - edges[0]) * (px - left) / (right - left);
    const [[a, a2], [b, b2]] = [...fingers.values()].sort((one, two) => one[0] - two[0]);
    const scale = (at(b) - at(a)) / Math.max((b - a) / 10, b2 - a2, 1);
    return [at(a) - (a2 - left) * scale, at(b) + (right - b2) * scale, Math.abs(b2 - a2 - (b - a)) > 20];
  }

  const fingers = new Map();
  let began = null;
  for (const svg of plot.querySelectorAll("svg")) {
    svg.addEventListener("pointerdown", (event) => {
      if (event.button) return;
      svg.setPointerCapture(event.pointerId);
      fingers.set(event.pointerId, [event.clientX, event.clientX]);
      began = place(svg, event);
    });
    svg.addEventListener("pointermove", (event) => {
      const [x] = place(svg, event);
      if (fingers.has(event.pointerId)) fingers.get(event.pointerId)[1] = event.clientX;
      if (fingers.size === 2) {
        const [low, high] = pinched(svg);
        mark(svg, xAt(svg, Math.max(low, edges[0])), xAt(svg, Math.min(high, edges[count])));
      } else if (began && fingers.size === 1) mark(svg, began[0], x);
      else if (!fingers.size) read(columnAt(timeAt(svg, x)));
    });
    // one finger scrolls the page up and down, two are for the chart
    svg.addEventListener("touchmove", (event) => { if (event.touches.length > 1) event.preventDefault(); }, { passive: false });
    svg.addEventListener("pointercancel", () => { fingers.clear(); began = null; });
    svg.addEventListener("pointerup", (event) => {
      const [x, y] = place(svg, event);
      if (fingers.size === 2) {
        const [low, high, far] = pinched(svg);
        fingers.clear();
        began = null;
        if (far) zoom(low, high);
        return;
      }
      fingers.delete(event.pointerId);
      if (!began) return;
      const [x0] = began, i = columnAt(timeAt(svg, x));
      began = null;
      if (Math.abs(x - x0) > 12) zoom(...[timeAt(svg, x0), timeAt(svg, x)].sort((one, two) => one - two));
      else {
        line = lineAt(svg, i, x, y);
        if (event.pointerType === "mouse" || column === i) why(i, line);
        read(i);
      }
    });
  }
  plot.addEventListener("keydown", (event) => {
    const last = Math.max(0, edges.findIndex((edge, i) => i === count || edge >= data.until) - 1);
    const moves = { ArrowLeft: -1, ArrowRight: 1, PageUp: -10, PageDown: 10 };
    if (event.key in moves) read(Math.min(last, Math.max(0, (column < 0 ? last + 1 : column) + moves[event.key])));
    else if (event.key === "Home" || event.key === "End") read(event.key === "Home" ? 0 : last);
    else if (event.key === "ArrowUp" || event.key === "ArrowDown") {
      line = (line + (event.key === "ArrowUp" ? -1 : 1) + data.series.length) % data.series.length;
      read(column < 0 ? last : column);
    } else if (event.key === "Enter" && column >= 0) why(column, line);
    else if (event.key === "+" || event.key === "=") {
      const middle = (edges[column < 0 ? Math.floor(count / 2) : column] + edges[column < 0 ? Math.floor(count / 2) + 1 : column + 1]) / 2;
      const half = (edges[count] - edges[0]) / 8;
      zoom(middle - half, middle + half);
    } else if (event.key === "-") wider();
    else return;
    event.preventDefault();
  });
})();
