// The last result as a table: a row for each candidate, quantity and measure.

import { breakable } from "./traces.js";

const decibels = (value) => `${value.toFixed(1)} dB`;

/** What an attenuation is known to be: a value with its interval, a bound, or nothing and why. */
export function attenuationWords({ db, interval_db: [low, high], state, reason }) {
  if (state === "resolved") return `${decibels(db)} (${low.toFixed(1)} to ${high.toFixed(1)})`;
  if (state === "floor-limited" && low !== null) return `at least ${decibels(low)}`;
  return `${state}: ${reason}`;
}

/** What was asked for, and whether it was met. */
export function limitWords(limit) {
  const asked = limit.attenuation_at_least === null ? "residual" : `at least ${decibels(limit.attenuation_at_least)}`;
  return `${asked}: ${limit.verdict}`;
}

function about(limit, row) {
  return ["condition", "quantity", "measure"].every((name) => limit[name] === row[name]);
}

function cell(kind, words, className = "") {
  const one = document.createElement(kind);
  one.textContent = words;
  if (className) one.className = className;
  if (kind === "th") one.scope = "row";
  return one;
}

/** Fill a table body from a result document; return what its caption says of the interval. */
export function fill(body, result) {
  body.replaceChildren(...result.results.map((row) => {
    const line = document.createElement("tr");
    const limits = result.limits.filter((limit) => about(limit, row)).map(limitWords);
    const name = cell("th", "");
    name.append(...breakable(row.condition));
    const measure = document.createElement("p");
    measure.append(...breakable(row.quantity), `, ${row.measure.replaceAll("_", " ")}`);
    measure.className = "small";
    name.append(measure);
    line.append(
      name,
      cell("td", attenuationWords(row.attenuation), "figure"),
      cell("td", limits.join("; ") || "–"),
    );
    return line;
  }));
  const coverage = result.results[0]?.attenuation.coverage;
  return coverage ? `Attenuation; in brackets the interval at ${Number((100 * coverage).toPrecision(4))} % coverage` : "";
}
