// Traces as pictures and as words: an area from the lowest to the highest value of each bucket.

const SVG = "http://www.w3.org/2000/svg";
const PREFIXES = [[1e9, "G"], [1e6, "M"], [1e3, "k"], [1, ""], [1e-3, "m"], [1e-6, "µ"], [1e-9, "n"], [1e-12, "p"]];

/** A number with an SI prefix: 0.0123, "V" gives "12.3 mV". */
export function engineering(value, unit) {
  if (value === null || !Number.isFinite(value)) return "–";
  if (value === 0) return `0 ${unit}`;
  const [size, prefix] = PREFIXES.find(([size]) => Math.abs(value) >= size * 0.9995) ?? PREFIXES.at(-1);
  return `${Number((value / size).toPrecision(3))} ${prefix}${unit}`;
}

/** A name with places where a line may break, so that it does not break within a word. */
export function breakable(name) {
  return name.split(/(?<=_)/).flatMap((part, i) => (i ? [document.createElement("wbr"), part] : [part]));
}

/** Which traces stand for a quantity: reference, target, floor, in this order. */
export function tracesOf(preview, quantity) {
  const order = ["reference", "target", "floor"];
  return preview.traces
    .filter((trace) => trace.quantity === quantity)
    .sort((a, b) => order.indexOf(a.role) - order.indexOf(b.role));
}

/** One figure for each trace; target and floor at one scale, and the reference too unless they are enlarged. */
export function draw(into, traces, enlarged) {
  const reachOf = (some) => Math.max(...some.flatMap((t) => [...t.highest, ...t.lowest]).map(Math.abs), 1e-12);
  const all = reachOf(traces);
  const small = traces.filter((trace) => trace.role !== "reference");
  const near = enlarged && small.length ? reachOf(small) : all;
  into.replaceChildren(...traces.map((trace) => figure(trace, trace.role === "reference" ? all : near, all)));
}

function figure(trace, reach, all) {
  const times = all / reach;
  const caption = document.createElement("figcaption");
  caption.textContent = `${trace.role}: ${trace.condition}` +
    (times > 1.005 ? `, enlarged ${Number(times.toPrecision(2))} times` : "");
  const end = trace.start + trace.samples * trace.interval;
  const scale = document.createElement("div");
  scale.className = "scale figure";
  const height = engineering(reach / trace.per_unit, trace.unit);
  for (const words of [engineering(trace.start, "s"), `± ${height}`, engineering(end, "s")]) {
    const one = document.createElement("span");
    one.textContent = words;
    scale.append(one);
  }
  const whole = document.createElement("figure");
  whole.append(caption, picture(trace, reach), scale);
  return whole;
}

function picture(trace, reach) {
  const buckets = trace.lowest.length;
  const svg = document.createElementNS(SVG, "svg");
  svg.setAttribute("viewBox", `0 -100 ${buckets} 200`);
  svg.setAttribute("preserveAspectRatio", "none");
  svg.setAttribute("role", "img");
  svg.setAttribute("aria-label", `${trace.role} in the condition ${trace.condition}, peak to peak ` +
    engineering(trace.peak_to_peak / trace.per_unit, trace.unit));
  svg.append(line("zero", 0, 0, buckets, 0));
  const trigger = -trace.start / (trace.interval * trace.bucket);
  if (trigger > 0 && trigger < buckets) svg.append(line("trigger", trigger, -100, trigger, 100));
  svg.append(envelope(trace, reach));
  return svg;
}

function envelope(trace, reach) {
  const height = (volts) => (-95 * volts / reach).toFixed(2);
  const there = trace.highest.map((volts, i) => `${i},${height(volts)} ${i + 1},${height(volts)}`);
  const back = trace.lowest.map((volts, i) => `${i + 1},${height(volts)} ${i},${height(volts)}`).reverse();
  const area = document.createElementNS(SVG, "polygon");
  area.setAttribute("class", `envelope ${trace.role}`);
  area.setAttribute("points", [...there, ...back].join(" "));
  return area;
}

function line(kind, x1, y1, x2, y2) {
  const one = document.createElementNS(SVG, "line");
  one.setAttribute("class", kind);
  Object.entries({ x1, y1, x2, y2 }).forEach(([name, value]) => one.setAttribute(name, value));
  return one;
}

/** The same as a table, for those who read rather than look. */
export function tabulate(body, traces) {
  body.replaceChildren(...traces.map((trace) => {
    const row = document.createElement("tr");
    const margin = trace.role === "floor" ? "–"
      : trace.margin_db === null ? "no floor at its range" : `${trace.margin_db.toFixed(1)} dB`;
    const cells = [`${trace.role}: ${trace.condition}`,
      engineering(trace.peak_to_peak / trace.per_unit, trace.unit), engineering(trace.peak_to_peak, "V"), margin];
    cells.forEach((words, i) => {
      const cell = document.createElement(i ? "td" : "th");
      if (i) cell.className = "figure"; else cell.scope = "row";
      if (i) cell.textContent = words; else cell.append(...breakable(words));
      row.append(cell);
    });
    return row;
  }));
}
