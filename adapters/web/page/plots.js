// Draws the last day. Without this script the tables tell the same.
"use strict";

const plots = { all: [], asked: 0 };

const colour = (name) => getComputedStyle(document.documentElement).getPropertyValue(name).trim();
const clock = (t) => new Date(t * 1000).toISOString().slice(11, 16); // UTC
const brief = (s) => (s < 1 ? "<1s" : s < 60 ? Math.round(s) + "s" : s < 3600 ? Math.round(s / 60) + "m" : s < 48 * 3600 ? Math.round(s / 3600) + "h" : Math.round(s / 86400) + "d");

// draw makes one plot in a box; unit writes a value of its y axis, which has its
// own marks where they are given.
function draw(id, columns, series, unit, scale, marks) {
  const box = document.getElementById(id);
  box.replaceChildren();
  const axis = { stroke: colour("--ink"), grid: { stroke: colour("--line"), width: 1 }, ticks: { stroke: colour("--line"), width: 1 }, font: "12px system-ui, sans-serif" };
  const plot = new uPlot({
    width: box.clientWidth, height: 170,
    cursor: { drag: { x: false, y: false } },
    scales: { x: { time: false }, y: scale },
    axes: [
      { ...axis, size: 28, space: 48, incrs: [1, 2, 3, 4, 6, 12].map((h) => h * 3600), values: (_, at) => at.map(clock) },
      { ...axis, size: 46, ...(marks && { splits: () => marks.filter((m) => m <= scale.range()[1]), filter: (_, at) => at }), values: (_, at) => at.map((v) => (v === null ? "" : unit(v))) },
    ],
    series: [{ label: "Until", value: (_, t) => (t === null ? "–" : clock(t)) }, ...series.map((s) => ({ value: (_, v) => (v === null || v === undefined ? "–" : unit(v)), width: 2, ...s }))],
  }, columns, box);
  plots.all.push(plot);
}

function show(day) {
  document.getElementById("plots").hidden = false;
  for (const plot of plots.all) plot.destroy();
  plots.all = [];
  const whole = (v) => (Number.isInteger(v) ? String(v) : "");
  const steps = uPlot.paths.stepped({ align: -1 }), lines = uPlot.paths.linear();
  const none = { show: false }, dots = { show: true, size: 6 };
  draw("plot-traffic", [day.at, day.in, day.out, day.lost], [
    { label: "In", stroke: colour("--link"), fill: colour("--link") + "33", paths: steps, points: none },
    { label: "Out", stroke: colour("--ink"), dash: [4, 3], paths: steps, points: none },
    { label: "Refused or lost", stroke: colour("--bad"), fill: colour("--bad"), paths: uPlot.paths.bars({ size: [0.9, 8] }), points: none },
  ], whole, { range: (_, low, high) => [0, Math.max(high, 4)] });
  const marks = [1, 10, 60, 600, 3600, 6 * 3600, 24 * 3600, 7 * 24 * 3600];
  const longest = Math.max(...day.longest, 60), top = marks.find((m) => m >= longest) ?? longest;
  draw("plot-delay", [day.at, day.median, day.longest], [
    { label: "Median", stroke: colour("--link"), paths: lines, points: { ...dots, fill: colour("--link") } },
    { label: "Longest", stroke: colour("--ink"), width: 0, paths: () => null, points: { ...dots, fill: colour("--card"), stroke: colour("--ink"), width: 2 } },
  ], brief, { distr: 3, range: () => [1, top] }, marks);
  const paced = Object.keys(day.air).sort(), strokes = ["--link", "--ink", "--good", "--bad"];
  document.getElementById("air-box").hidden = paced.length === 0;
  if (paced.length === 0) return;
  draw("plot-air", [day.at, ...paced.map((name) => day.air[name])], paced.map((name, i) => (
    { label: name, stroke: colour(strokes[i % 4]), dash: i < 4 ? [] : [4, 3], paths: steps, points: none })),
  (v) => +v.toFixed(1) + " %", { range: (_, low, high) => [0, Math.max(high, 5)] });
}

// ask gets the figures, at most every ten seconds.
async function ask() {
  if (plots.waits) return;
  plots.waits = setTimeout(async () => {
    plots.asked = Date.now();
    plots.waits = 0;
    const answer = await fetch("/day").catch(() => null);
    if (answer?.ok && !answer.redirected) show(plots.day = await answer.json());
  }, Math.max(0, plots.asked + 10000 - Date.now()));
}

document.getElementById("figures").open = false;
addEventListener("day", ask);
matchMedia("(prefers-color-scheme: dark)").addEventListener("change", () => plots.day && show(plots.day));
new ResizeObserver(() => {
  for (const plot of plots.all) {
    const width = plot.root.parentElement.clientWidth;
    if (width > 0 && width !== plot.width) plot.setSize({ width, height: 170 });
  }
}).observe(document.getElementById("last"));
ask();
