// The trend chart of a tank: requests one bucket per pixel, and draws the lowest and highest value of each.
(() => {
  const box = document.getElementById("trend"), place = document.getElementById("chart");
  if (!box || !window.uPlot) return;
  const note = document.getElementById("chart-note"), lower = document.getElementById("lane");
  const per = Number(box.dataset.perMetre), unit = box.dataset.unit, zone = box.dataset.zone;
  const now = () => Date.parse(box.dataset.now) / 1000 + performance.now() / 1000;
  let end = now() + 60, start = end - 12 * 3600, plot = null, under = null, lane = "", asked = 0, timer = 0, seen = null, ahead = 60;
  const colour = (name) => getComputedStyle(document.documentElement).getPropertyValue(name).trim();

  // Two points to a pixel, so that its line runs from least to greatest.
  const spread = (series) => {
    const times = [], values = [];
    series.time.forEach((time, i) => {
      const at = Date.parse(time) / 1000, low = series.low[i] * per, high = series.high[i] * per;
      times.push(at); values.push(low);
      if (high !== low) { times.push(at + 0.001); values.push(high); }
    });
    return [times, values];
  };
  const edge = (series, side) => [series.time.map((t) => Date.parse(t) / 1000), series[side].map((v) => v * per)];
  const flat = (height, from, to) => [[from, to], [height * per, height * per]];

  const clock = [
    [31536000, "{YYYY}", null, null, null, null, null, null, 1],
    [2419200, "{MMM}", "\n{YYYY}", null, null, null, null, null, 1],
    [86400, "{D} {MMM}", "\n{YYYY}", null, null, null, null, null, 1],
    [60, "{HH}:{mm}", "\n{D} {MMM}", null, "\n{D} {MMM}", null, null, null, 1],
    [1, "{HH}:{mm}:{ss}", "\n{D} {MMM}", null, "\n{D} {MMM}", null, null, null, 1],
  ];
  const axes = () => {
    const axis = { stroke: colour("--ink"), grid: { stroke: colour("--line"), width: 1 }, ticks: { stroke: colour("--line-strong") } };
    return [{ ...axis, values: clock }, { ...axis, size: 46, values: (u, all) => all.map((v) => (Math.abs(v) >= 10000 ? `${v / 1000}k` : `${v}`)) }];
  };
  const select = (u) => { if (u.select.width > 8) go(u.posToVal(u.select.left, "x"), u.posToVal(u.select.left + u.select.width, "x")); };

  // One flow or loading under the blanket, over the same stretch of time.
  const drawLower = (found, from, to) => {
    if (!lower) return;
    if (under) under.destroy();
    under = null;
    lower.replaceChildren();
    lower.hidden = !found;
    if (!found) return;
    const shown = (u, v) => (v == null ? "–" : `${Number(v.toPrecision(3))} ${found.unit}`);
    const times = [], values = [];
    found.time.forEach((time, i) => {
      const at = Date.parse(time) / 1000, low = found.low[i] * found.per_si, high = found.high[i] * found.per_si;
      times.push(at); values.push(low);
      if (high !== low) { times.push(at + 0.001); values.push(high); }
    });
    const tables = [[times, values]];
    const series = [{ label: "time", value: "{D} {MMM} {HH}:{mm}" }, { label: `${found.name} (${found.unit})`, stroke: colour("--ink"), width: 1.5, spanGaps: true, points: { show: false }, value: shown }];
    if (found.limit_si != null) {
      tables.push([[from, to], [found.limit_si * found.per_si, found.limit_si * found.per_si]]);
      series.push({ label: "limit", stroke: colour("--warning"), width: 1.5, dash: [6, 4], spanGaps: true, points: { show: false }, value: shown });
    }
    under = new uPlot({
      width: lower.clientWidth, height: 170, series, axes: axes(),
      tzDate: (ts) => uPlot.tzDate(new Date(ts * 1000), zone),
      scales: { x: { min: from, max: to }, y: { range: (u, least, most) => uPlot.rangeNum(Math.min(0, least ?? 0), most ?? 1, 0.1, true) } },
      cursor: { drag: { x: true, y: false }, sync: { key: "trend" } },
      legend: { live: matchMedia("(pointer: fine)").matches },
      hooks: { setSelect: [select] },
    }, uPlot.join(tables), lower);
    const last = found.last.length ? `${Number((found.last[found.last.length - 1] * found.per_si).toPrecision(3))} ${found.unit} at the end` : "no measurements";
    lower.setAttribute("aria-label", `${found.name} over the same time: ${last}`);
  };

  const draw = (news) => {
    const from = Date.parse(news.start) / 1000, to = Date.parse(news.end) / 1000;
    const ink = colour("--ink"), quiet = colour("--line-strong");
    const tables = [], series = [{ label: "time", value: "{D} {MMM} {HH}:{mm}" }];
    const add = (table, options) => { tables.push(table); series.push({ spanGaps: true, points: { show: false }, ...options }); };
    const shown = (u, v) => (v == null ? "–" : `${v.toFixed(unit === "ft" ? 1 : 2)} ${unit}`);
    const low = edge(news.band, "low"), high = edge(news.band, "high");
    // The band is two lines to the plot and one thing to its reader: the upper edge bears the name and says both.
    const both = (u, v, i, k) => (v == null ? "–" : `${shown(u, k == null ? null : u.data[2][k])} to ${shown(u, v)}`);
    add(high, { label: "95 % band", stroke: "transparent", value: both });
    add(low, { label: "", class: "edge", stroke: "transparent", value: () => "" });
    for (const [tag, sensor] of Object.entries(news.sensors)) add(spread(sensor.raw), { label: `${tag}, as it reads`, stroke: quiet, width: 1, value: shown });
    add(spread(news.believed), { label: "estimate", stroke: ink, width: 2.5, value: shown });
    add([news.cores.map((c) => Date.parse(c.time) / 1000), news.cores.map((c) => c.height_m * per)], {
      label: "hand core", stroke: ink, width: 0, paths: () => null, value: shown,
      points: { show: true, size: 11, stroke: ink, fill: colour("--panel"), width: 2 },
    });
    for (const limit of news.limits) add(flat(limit.height_m, from, to), { label: limit.name, stroke: colour(`--${limit.name}`), width: 1.5, dash: [6, 4], value: shown });
    add(flat(news.depth_m, from, to), { label: "weir", stroke: colour("--wall"), width: 2, value: shown });
    const data = uPlot.join(tables.map((table) => [table[0], table[1]]));
    if (plot) plot.destroy();
    place.replaceChildren();
    plot = new uPlot({
      width: place.clientWidth, height: Math.max(260, Math.min(420, Math.round(innerHeight * 0.5))),
      tzDate: (ts) => uPlot.tzDate(new Date(ts * 1000), zone),
      series, bands: [{ series: [1, 2], fill: colour("--line") }],
      scales: { x: { min: from, max: to } },
      axes: axes(),
      cursor: { drag: { x: true, y: false }, sync: { key: "trend" } },
      legend: { live: matchMedia("(pointer: fine)").matches, markers: { fill: (u, i) => (i === 1 ? colour("--line") : "transparent") } },
      hooks: {
        setSelect: [select],
        drawClear: [(u) => {
          u.ctx.save(); u.ctx.strokeStyle = colour("--danger"); u.ctx.lineWidth = 1;
          for (const alarm of news.alarms) {
            const x = Math.round(u.valToPos(Date.parse(alarm.time) / 1000, "x", true));
            u.ctx.beginPath(); u.ctx.moveTo(x, u.bbox.top); u.ctx.lineTo(x, u.bbox.top + u.bbox.height); u.ctx.stroke();
          }
          u.ctx.restore();
        }],
      },
    }, data, place);
    drawLower(news.under, from, to);
    const count = news.believed.time.length;
    note.textContent = count || news.cores.length ? `Height above the floor at the wall, in ${unit}; plant time. ${news.alarms.length ? `Vertical lines: ${news.alarms.length} alarms.` : ""}` : "No data for this period.";
  };

  const load = async () => {
    const mine = ++asked;
    const from = new Date(start * 1000).toISOString(), to = new Date(end * 1000).toISOString();
    const stretch = `&start=${encodeURIComponent(from)}&end=${encodeURIComponent(to)}`;
    for (const what of ["readings", "estimates", "cores"]) document.getElementById(`export-${what}`).href = `/api/v1/exports/${what}.csv?tank=${encodeURIComponent(box.dataset.tank)}${stretch}`;
    try {
      const answer = await fetch(`/api/v1/tanks/${encodeURIComponent(box.dataset.tank)}/series?width=${Math.max(100, Math.min(2000, place.clientWidth))}${lane && `&under=${lane}`}${stretch}`);
      if (mine !== asked) return;
      if (!answer.ok) throw new Error((await answer.json()).detail);
      seen = await answer.json();
      draw(seen);
    } catch (error) { if (mine === asked) note.textContent = `The trend cannot be loaded now. ${error.message || ""}`; }
  };
  const go = (from, to) => { start = from; end = to; ahead = end - now(); clearTimeout(timer); timer = setTimeout(load, 120); };
  const press = (hours) => { for (const button of box.querySelectorAll("[data-hours]")) button.setAttribute("aria-pressed", `${button.dataset.hours === `${hours}`}`); };
  box.addEventListener("click", (event) => {
    const { hours, pan, zoom, lane: chosen } = event.target.closest("button")?.dataset || {};
    if (chosen) {
      lane = lane === chosen ? "" : chosen;
      for (const button of box.querySelectorAll("[data-lane]")) button.setAttribute("aria-pressed", `${button.dataset.lane === lane}`);
      go(start, end);
    }
    if (hours) { press(hours); go(now() + 60 - hours * 3600, now() + 60); }
    if (pan) { press(""); go(start + pan * (end - start), end + pan * (end - start)); }
    if (zoom) { const middle = (start + end) / 2, half = ((end - start) * zoom) / 2; press(""); go(middle - half, middle + half); }
  });
  place.addEventListener("dblclick", () => { const hours = box.querySelector('[aria-pressed="true"]')?.dataset.hours || 12; go(now() + 60 - hours * 3600, now() + 60); });
  let width = place.clientWidth;
  addEventListener("resize", () => { if (place.clientWidth !== width) { width = place.clientWidth; go(start, end); } });
  matchMedia("(prefers-color-scheme: dark)").addEventListener("change", () => seen && draw(seen));
  // A trend that ends now goes on with time; one that somebody moved back stays where it is.
  let drawn = Date.now();
  addEventListener("uw-live", () => {
    if (Math.abs(ahead - 60) > 30 || Date.now() - drawn < 60000) return;
    drawn = Date.now();
    go(start + (now() + 60 - end), now() + 60);
  });
  load();
})();
