// Draws the evidence of a finding: measured beside expected, the distance between them, and the operating state,
// on one time axis. Reads figures from the console's own route; knows nothing that the page does not.
"use strict";
(() => {
  const box = document.getElementById("picture");
  if (!box || !window.Plotly) return;
  const summary = document.getElementById("picture-summary");
  const channels = document.getElementById("channels");
  const stateBox = document.getElementById("states");
  const BRAKE = -3;                    // height of dynamic brake in the ribbon, apart from idle at 0
  let data = null;
  let state = null;

  const css = (name) => getComputedStyle(document.documentElement).getPropertyValue(name).trim();
  const at = (ms) => new Date(ms).toISOString();

  function pick(keep) {
    const p = data.points;
    const out = { t: [], y: [], e: [], lo: [], hi: [], r: [], when: [] };
    for (let i = 0; i < p.t.length; i += 1) {
      if (!keep(i, p)) continue;
      out.t.push(at(p.t[i]));
      out.when.push(data.local_offset_min === 0 ? "" : " (" + localTime(p.t[i]) + " " + data.zone + ")");
      out.y.push(p.y[i]);
      const known = p.e[i] !== null && p.s[i] !== null;
      out.e.push(p.e[i]);
      out.lo.push(known ? p.e[i] - data.band_spreads * p.s[i] : null);
      out.hi.push(known ? p.e[i] + data.band_spreads * p.s[i] : null);
      out.r.push(known && p.s[i] > 0 ? (p.y[i] - p.e[i]) / p.s[i] : null);
    }
    return out;
  }
  function localTime(ms) {
    return new Date(ms + data.local_offset_min * 60000).toISOString().slice(11, 16);
  }

  function traces() {
    const shown = (i, p) => state === null || p.state[i] === state;
    const judged = pick((i, p) => shown(i, p) && p.judged[i]);
    const rest = pick((i, p) => shown(i, p) && !p.judged[i]);
    const model = pick((i, p) => shown(i, p) && p.judged[i] && p.e[i] !== null && p.s[i] !== null);
    const hover = "%{y:.4~g} " + data.uom + "<br>%{x|%d %b %H:%M} UTC%{customdata}<extra></extra>";
    const many = judged.t.length > 1500 ? 2.6 : judged.t.length > 400 ? 3.6 : 5;
    const out = [];
    if (state !== null) {
      out.push({ x: model.t, y: model.lo, mode: "lines", line: { width: 0 }, hoverinfo: "skip" });
      out.push({ x: model.t, y: model.hi, mode: "lines", line: { width: 0 }, fill: "tonexty", fillcolor: css("--band"), hoverinfo: "skip" });
      out.push({ x: model.t, y: model.e, mode: "lines", line: { width: 1.5, color: css("--expected") }, hoverinfo: "skip" });
    } else {
      // Across operating states the expected value jumps: a line through the jumps would draw what nobody expects.
      out.push({ x: model.t, y: model.e, mode: "markers", marker: { size: many + 2, color: css("--band"), symbol: "square" }, hoverinfo: "skip" });
    }
    out.push({ x: rest.t, y: rest.y, customdata: rest.when, mode: "markers", marker: { size: many, color: css("--unjudged"), symbol: "circle-open" }, hovertemplate: "not judged: " + hover });
    out.push({ x: judged.t, y: judged.y, customdata: judged.when, mode: "markers", marker: { size: many, color: css("--measured") }, hovertemplate: hover });
    out.push({ x: judged.t, y: judged.r, customdata: judged.when, yaxis: "y2", mode: "markers", marker: { size: many, color: css("--measured") }, hovertemplate: "%{y:.1f} spreads<br>%{x|%d %b %H:%M} UTC%{customdata}<extra></extra>" });
    const ribbon = { x: [], y: [], text: [] };
    for (let i = 0; i < data.points.t.length; i += 1) {
      ribbon.x.push(at(data.points.t[i]));
      ribbon.y.push(data.points.notch[i] === -1 ? BRAKE : data.points.notch[i]);
      ribbon.text.push(data.points.state[i]);
    }
    out.push({ x: ribbon.x, y: ribbon.y, text: ribbon.text, yaxis: "y3", mode: "lines", line: { shape: "hv", width: 1, color: css("--expected") }, fill: "tozeroy", fillcolor: css("--band"), hovertemplate: "%{text}<br>%{x|%d %b %H:%M} UTC<extra></extra>" });
    return out.concat(projection());
  }

  function projection() {
    const p = data.projection;
    if (!p) return [];
    const colour = css("--high");
    const level = lastLevel();
    if (level === null) return [];
    const reach = (s) => at(Math.min(p.from + s * 1000, data.horizon));
    const part = (s) => {
      const whole = s * 1000, room = data.horizon - p.from;
      return whole <= room || whole <= 0 ? p.at : level + (p.at - level) * (room / whole);
    };
    const edge = (s, extra) => ({ x: [at(p.from), reach(s)], y: [level, part(s)], mode: "lines", hoverinfo: "skip", ...extra });
    return [
      edge(p.p10, { line: { width: 1, color: colour, dash: "dot" } }),
      edge(p.p90, { line: { width: 1, color: colour, dash: "dot" } }),
      edge(p.p50, { line: { width: 2, color: colour } }),
    ];
  }
  function lastLevel() {
    const p = data.points;
    const recent = [];
    for (let i = p.t.length - 1; i >= 0 && recent.length < 9; i -= 1) {
      if (p.judged[i] && (state === null || p.state[i] === state)) recent.push(p.y[i]);
    }
    if (!recent.length) return null;
    return recent.sort((a, b) => a - b)[Math.floor(recent.length / 2)];
  }

  function marks() {
    const shapes = [];
    const notes = [];
    const [left, right] = xRange();
    // A label near an edge is written inwards; the second one stands a line higher, so that the two never cover each other.
    const upright = (ms, text, dash, side, line) => {
      const share = (ms - left) / (right - left);
      const anchor = share > 0.8 ? "right" : share < 0.2 ? "left" : side;
      shapes.push({ type: "line", x0: at(ms), x1: at(ms), yref: "paper", y0: 0, y1: 1, line: { color: css("--text"), width: 1.2, dash } });
      notes.push({ x: at(ms), yref: "paper", y: 1.005, yanchor: "bottom", yshift: line * 15, xanchor: anchor, showarrow: false, text, font: { size: 12, color: css("--text") } });
    };
    if (data.onset !== null) upright(data.onset, "began (estimated)", "dash", "right", 0);
    if (data.detected !== null && data.detected !== data.onset) upright(data.detected, "evidence sufficed", "dot", "left", 1);
    for (const limit of limitsHere()) {
      shapes.push({ type: "line", xref: "paper", x0: 0, x1: 1, y0: limit.at, y1: limit.at, line: { color: css("--high"), width: 1.6, dash: "longdash" } });
      notes.push({ xref: "paper", x: 0.004, xanchor: "left", y: limit.at, yanchor: limit.high ? "bottom" : "top", showarrow: false, text: "limit " + limit.name + ": " + Number(limit.at.toPrecision(4)) + " " + data.uom + (limit.high ? " or above" : " or below"), font: { size: 12, color: css("--high") } });
    }
    shapes.push({ type: "rect", xref: "paper", x0: 0, x1: 1, yref: "y2", y0: -data.band_spreads, y1: data.band_spreads, fillcolor: css("--band"), opacity: 0.55, line: { width: 0 }, layer: "below" });
    return { shapes, notes };
  }

  function xRange() {
    const p = data.projection;
    return [data.from, p ? Math.min(data.horizon, Math.max(data.to, p.from + p.p90 * 1000)) : data.to];
  }

  // All that was measured and expected, and every limit that does not press it flat.
  function yRange() {
    const p = data.points;
    let low = Infinity, high = -Infinity;
    const take = (v) => { low = Math.min(low, v); high = Math.max(high, v); };
    for (let i = 0; i < p.t.length; i += 1) {
      if (state !== null && p.state[i] !== state) continue;
      take(p.y[i]);
      if (p.judged[i] && p.e[i] !== null && p.s[i] !== null) {
        take(p.e[i] - data.band_spreads * p.s[i]);
        take(p.e[i] + data.band_spreads * p.s[i]);
      }
    }
    if (low > high) return undefined;
    const room = Math.max(high - low, 1e-9);
    const near = limitsHere().filter((l) => l.at > low - 1.5 * room && l.at < high + 1.5 * room);
    for (const limit of near) take(limit.at);
    if (data.projection) take(data.projection.at);
    const pad = 0.06 * Math.max(high - low, 1e-9);
    return [low - pad, high + pad];
  }
  function limitsHere() {
    return data.limits.filter((l) => state === null || !l.states.length || l.states.includes(state));
  }

  function layout() {
    const { shapes, notes } = marks();
    const text = css("--text");
    const axis = { gridcolor: css("--line"), linecolor: css("--line-strong"), zeroline: false, fixedrange: true, tickfont: { size: 12 }, automargin: true };
    const [left, right] = xRange();
    return {
      autosize: true, showlegend: false, hovermode: "closest", dragmode: "zoom",
      paper_bgcolor: "rgba(0,0,0,0)", plot_bgcolor: "rgba(0,0,0,0)",
      font: { family: getComputedStyle(document.body).fontFamily, color: text, size: 13 },
      margin: { l: 66, r: 16, t: 44, b: 58 },
      xaxis: { type: "date", range: [at(left), at(right)], anchor: "y3", gridcolor: css("--line"), linecolor: css("--line-strong"), title: { text: "time, UTC", font: { size: 12 }, standoff: 6 } },
      yaxis: { ...axis, range: yRange(), domain: [0.4, 1], title: { text: data.label + ", " + (data.uom || "no unit"), font: { size: 12 } } },
      yaxis2: { ...axis, domain: [0.19, 0.37], title: { text: "distance,<br>spreads", font: { size: 12 } }, zeroline: true, zerolinecolor: css("--expected") },
      yaxis3: { ...axis, domain: [0, 0.14], title: { text: "operating<br>state", font: { size: 12 } }, range: [BRAKE - 0.6, 8.6], tickvals: [BRAKE, 0, 4, 8], ticktext: ["brake", "idle", "N4", "N8"], showgrid: false },
      shapes, annotations: notes,
    };
  }

  function draw() {
    if (!data) return;
    box.replaceChildren();
    if (!data.points.t.length) {
      const p = document.createElement("p");
      p.className = "wait";
      p.textContent = "No measured value of " + data.label + " is stored for this span: " + at(data.from).slice(0, 16) + " to " + at(data.to).slice(0, 16) + " UTC.";
      box.append(p);
      return;
    }
    window.Plotly.newPlot(box, traces(), layout(), { displayModeBar: false, responsive: true, doubleClick: "reset", showTips: false });
  }

  function offerStates() {
    const seen = new Map();
    data.points.state.forEach((s, i) => { if (data.points.judged[i]) seen.set(s, (seen.get(s) || 0) + 1); });
    const named = data.symptom_states.filter((s) => seen.has(s));
    const order = [...seen.entries()].sort((a, b) => b[1] - a[1]).map((x) => x[0]);
    if (state === null || !seen.has(state)) {
      state = named.sort((a, b) => seen.get(b) - seen.get(a))[0] ?? order[0] ?? null;
    }
    const label = document.createElement("span");
    label.className = "label";
    label.textContent = "Operating state:";
    const make = (value, text) => {
      const b = document.createElement("button");
      b.type = "button";
      b.textContent = text;
      b.setAttribute("aria-pressed", String(value === state));
      b.addEventListener("click", () => { state = value; for (const o of stateBox.querySelectorAll("button")) o.setAttribute("aria-pressed", String(o === b)); draw(); tell(); });
      return b;
    };
    const buttons = order.length > 1 ? [...order.map((s) => make(s, s)), make(null, "all")] : [];
    stateBox.replaceChildren(...(buttons.length ? [label, ...buttons] : []));
  }

  function tell() {
    const age = data.points.t.length ? new Date(data.points.t.at(-1)).toISOString().slice(0, 16).replace("T", " ") + " UTC" : "none";
    const range = data.points.t.length ? yRange() : undefined;
    const away = range ? limitsHere().filter((l) => l.at < range[0] || l.at > range[1]) : [];
    const outside = away.map((l) => " Limit " + l.name + ", " + Number(l.at.toPrecision(4)) + " " + data.uom + ", lies outside the picture.").join("");
    const thinned = data.thinned ? " Thinned to extremes of each interval for drawing." : "";
    summary.textContent = "Latest value shown: " + age + ". Band: expected ± " + data.band_spreads + " robust spreads, per operating state." + outside + thinned;
  }

  async function load(channel) {
    for (const b of channels.querySelectorAll("button")) b.setAttribute("aria-pressed", String(b.dataset.channel === channel));
    let answer;
    try {
      answer = await fetch(box.dataset.source + (box.dataset.source.includes("?") ? "&" : "?") + "channel=" + encodeURIComponent(channel), { headers: { Accept: "application/json" } });
    } catch { answer = null; }
    if (!answer || !answer.ok) {
      let why = "the server did not answer";
      try { why = (await answer.json()).detail || why; } catch { /* keep the general words */ }
      data = null;
      window.Plotly.purge(box);
      const p = document.createElement("p");
      p.className = "wait";
      p.textContent = "The evidence of " + channel + " cannot be drawn now: " + why + ". Nothing is drawn rather than something that was not measured.";
      box.replaceChildren(p);
      return;
    }
    data = await answer.json();
    offerStates();
    draw();
    tell();
    box.dataset.ready = channel;
  }

  channels.addEventListener("click", (e) => {
    const button = e.target.closest("button");
    if (button) { state = null; load(button.dataset.channel); }
  });
  const first = channels.querySelector("button")?.dataset.channel;
  if (first) load(first);
  matchMedia("(prefers-color-scheme: dark)").addEventListener("change", draw);
  // On paper it is drawn anew, with the colours and in the width of paper.
  matchMedia("print").addEventListener("change", draw);
  document.addEventListener("refreshed", () => { if (data) load(data.channel); });
})();
