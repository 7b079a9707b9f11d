// The page of one daemon: follows its events, shows what they say, and confirms gates.

import { fill } from "./result.js";
import { draw, engineering, tabulate, tracesOf } from "./traces.js";

const $ = (id) => document.getElementById(id);
const VERDICT = { 0: "every limit met", 1: "a limit not met", 2: "refused", 3: "undecided, or only a bound",
  4: "instrument or fixture fault", 5: "interrupted" };
const CHANGES = new Set(["run_queued", "run_claimed", "run_finished", "run_parked", "run_requeued", "run_cancelled",
  "gate_opened", "gate_confirmed", "condition_set", "schedule_added", "schedule_ended", "cancel_requested",
  "worker_started"]);

// Events before the page was opened that are heard again: they tell what step a run is at.
const REPLAYED = 300;

const state = { progress: new Map(), shown: null, result: null, preview: null, lastEvent: null, names: "" };

// -- asking ----------------------------------------------------------------------------------------

class Refused extends Error {
  constructor(status, message) { super(message); this.status = status; }
}

async function ask(path, body) {
  const answer = await fetch(`api/v1/${path}`, request(body));
  if (!answer.ok && answer.status !== 503) throw new Refused(answer.status, await words(answer));
  return answer.json();
}

function request(body, more = {}) {
  const token = sessionStorage.getItem("token");
  const headers = { ...more, ...(token ? { Authorization: `Bearer ${token}` } : {}) };
  if (body === undefined) return { headers };
  return { method: "POST", headers: { ...headers, "Content-Type": "application/json" }, body: JSON.stringify(body) };
}

async function words(answer) {
  try { return (await answer.json()).detail; } catch { return `the daemon answered ${answer.status}`; }
}

// -- building ---------------------------------------------------------------------------------------

function make(kind, content = "", attributes = {}) {
  const one = document.createElement(kind);
  if (Array.isArray(content)) one.append(...content); else one.textContent = content;
  Object.entries(attributes).forEach(([name, value]) => one.setAttribute(name, value));
  return one;
}

const clock = (time) => new Date(time).toLocaleString([], { dateStyle: "short", timeStyle: "short" });

function span(seconds) {
  if (!Number.isFinite(seconds)) return "–";
  if (seconds < 120) return `${Math.round(seconds)} s`;
  return seconds < 7200 ? `${Math.round(seconds / 60)} min` : `${(seconds / 3600).toFixed(1)} h`;
}

// -- gates ------------------------------------------------------------------------------------------

function showGates(runs) {
  const open = runs.filter((run) => run.gate && !run.gate.confirmed_at);
  const wanted = new Map(open.map((run) => [`gate-${run.id}-${run.gate.condition}-${run.gate.opened_at}`, run]));
  // a form that a person is filling in is left alone
  [...$("gates").children].forEach((one) => { if (!wanted.has(one.id)) one.remove(); });
  wanted.forEach((run, id) => { if (!$(id)) $("gates").append(gate(run, id)); });
  document.title = open.length ? `a hand is needed – floorshot` : "floorshot";
}

function gate(run, id) {
  const { condition, instruction, cautions } = run.gate;
  const form = make("form", [], { class: "gate", id, "aria-labelledby": `${id}-title` });
  const by = make("input", "", { id: `${id}-by`, required: "", maxlength: "100", autocomplete: "name" });
  by.value = sessionStorage.getItem("by") ?? "";
  const button = make("button", `I have set ${condition}`, { type: "submit" });
  const error = make("p", "", { role: "alert" });
  form.append(
    make("h2", `A hand is needed: ${condition}`, { id: `${id}-title` }),
    make("p", `Run ${run.id} on ${run.bench}`, { class: "small" }),
    make("p", instruction, { class: "instruction" }),
    make("ul", cautions.map((text) => make("li", text)), { class: "cautions", "aria-label": "Cautions" }),
    make("div", [make("div", [make("label", "Your name", { for: by.id }), by]), button], { class: "field" }),
    error,
  );
  form.addEventListener("submit", async (event) => {
    event.preventDefault();
    button.disabled = true;
    sessionStorage.setItem("by", by.value);
    try {
      await ask(`runs/${run.id}/confirm`, { by: by.value, condition });
      await refresh();
    } catch (why) {
      error.textContent = `Not confirmed: ${why.message}`;
      button.disabled = false;
    }
  });
  return form;
}

// -- what is going on ----------------------------------------------------------------------------------

function showRunning(runs) {
  const now = runs.filter((run) => run.state === "running");
  $("running").replaceChildren(...(now.length ? now.map(running)
    : [make("p", "No run is going on.", { class: "quiet" })]));
}

function running(run) {
  const { step, record, shot } = state.progress.get(run.id) ?? {};
  const facts = [];
  const fact = (name, value) => facts.push(make("dt", name), make("dd", value, { class: "figure" }));
  if (run.gate && !run.gate.confirmed_at) fact("waits for", `a hand: ${run.gate.condition}`);
  if (step) fact("step", `${step.step} of ${step.steps}: ${step.text}`);
  if (record) fact("record", `${record.repeat} of ${record.repeats} in ${record.shot}`);
  const ranges = shot?.ranges ?? {};
  Object.entries(record?.peaks ?? {}).forEach(([name, peak]) => {
    const range = ranges[name] ? `, range ${engineering(ranges[name], "V")}` : "";
    fact(`peak of ${name}`, `${engineering(peak, "V")}${range}`);
  });
  const margin = marginWords(record?.floor_margin_db);
  if (margin) fact("above the floor", margin);
  const left = record?.seconds_left ?? step?.seconds_left;
  if (Number.isFinite(left)) fact("time left", `about ${span(left)}`);
  const parts = [make("h3", `Run ${run.id}: ${run.recipe} on ${run.bench}`)];
  if (step) parts.push(make("progress", "", { max: step.steps, value: step.step, "aria-label": `steps of run ${run.id}` }));
  parts.push(make("dl", facts), stopButton(run));
  return make("div", parts, { class: "run" });
}

function marginWords(margin) {
  if (Number.isFinite(margin)) return `${margin.toFixed(1)} dB`;
  if (!margin) return "";
  return Object.entries(margin).filter(([, db]) => Number.isFinite(db))
    .map(([name, db]) => `${name} ${db.toFixed(1)} dB`).join(", ");
}

function stopButton(run) {
  const button = make("button", run.cancel_requested ? "asked to stop" : `Stop run ${run.id}`,
    { type: "button", class: "plain" });
  button.disabled = run.cancel_requested;
  button.addEventListener("click", async () => {
    if (!confirm(`Stop run ${run.id}? What it has stored is kept.`)) return;
    await ask(`runs/${run.id}/cancel`, { by: sessionStorage.getItem("by") || "the page" });
    await refresh();
  });
  return button;
}

// -- lists ------------------------------------------------------------------------------------------------

function showQueue(runs) {
  const waiting = runs.filter((run) => run.state !== "running");
  $("queue-empty").hidden = waiting.length > 0;
  $("queue").replaceChildren(...waiting.map((run) => {
    const row = [make("span", run.state, { class: "state" }), ` ${run.id}: ${run.recipe} on ${run.bench}`];
    if (run.hands) row.push(make("p", `a hand is needed ${run.hands === 1 ? "once" : `${run.hands} times`}`, { class: "small" }));
    if (run.not_before) row.push(make("p", `not before ${clock(run.not_before)}`, { class: "small" }));
    if (run.reason) row.push(make("p", run.reason, { class: "small" }));
    if (run.state === "parked" && !run.gate) row.push(goOn(run));
    return make("li", row);
  }));
}

function showSchedules(schedules) {
  $("scheduled").hidden = schedules.length === 0;
  $("schedules").replaceChildren(...schedules.map((one) => {
    const rule = { at: "once", every: `every ${span(Number(one.rule))}`, cron: `cron ${one.rule}` }[one.kind];
    return make("li", [`${one.recipe} on ${one.bench}`,
      make("p", `next ${clock(one.next_at)}; ${rule}`, { class: "small" })]);
  }));
}

function goOn(run) {
  const button = make("button", `Let run ${run.id} go on`, { type: "button", class: "plain" });
  button.addEventListener("click", async () => {
    button.disabled = true;
    await ask(`runs/${run.id}/resume`, { by: sessionStorage.getItem("by") || "the page" });
    await refresh();
  });
  return button;
}

function showDone(runs) {
  $("done-empty").hidden = runs.length > 0;
  $("done").replaceChildren(...runs.map((run) => {
    const verdict = run.state === "cancelled" ? run.reason : VERDICT[run.exit_code] ?? "ended";
    const row = [make("span", run.state, { class: "state" }), ` ${run.id}: ${run.recipe} on ${run.bench}`,
      make("p", `${verdict}; ${clock(run.ended_at)}`, { class: "small" })];
    if (run.reason && run.state === "finished") row.push(make("p", run.reason, { class: "small" }));
    const links = [];
    if (run.has_result) links.push(save(run, "result", "json"), save(run, "result.csv", "csv"));
    if (run.has_file) links.push(save(run, "file", "h5"));
    if (links.length) row.push(make("p", links.flatMap((one) => [one, " "])));
    return make("li", row);
  }));
}

/** A download with the token in its header, which a plain link could not send. */
function save(run, part, ending) {
  const label = { json: "result, JSON", csv: "result, CSV", h5: "run file, HDF5" }[ending];
  const link = make("a", label, { href: `api/v1/runs/${run.id}/${part}`, "aria-label": `${label} of run ${run.id}` });
  link.addEventListener("click", async (event) => {
    if (!sessionStorage.getItem("token")) return; // the browser does it, without holding it in memory
    event.preventDefault();
    const answer = await fetch(link.href, request());
    const url = URL.createObjectURL(await answer.blob());
    make("a", "", { href: url, download: `run-${run.id}.${ending}` }).click();
    URL.revokeObjectURL(url);
  });
  return link;
}

async function showResult(done) {
  const run = done.find((one) => one.has_result);
  if (!run || run.id === state.result) return;
  const caption = fill($("attenuations").tBodies[0], await ask(`runs/${run.id}/result`));
  state.result = run.id;
  $("attenuations").caption.textContent = caption;
  $("result-of").textContent = `Run ${run.id}: ${run.recipe} on ${run.bench}; ${VERDICT[run.exit_code] ?? "ended"}`;
  $("result").hidden = false;
}

// -- traces -------------------------------------------------------------------------------------------------

async function showTraces(number) {
  if (number === null) return;
  try {
    state.preview = await ask(`runs/${number}/preview?points=400`);
  } catch (why) {
    if (why.status === 404 && state.preview?.run === number) return; // between spool and run file
    state.preview = null;
  }
  $("traces").hidden = !state.preview?.traces?.length;
  if (!$("traces").hidden) drawTraces();
}

function drawTraces() {
  const names = [...new Set(state.preview.traces.map((trace) => trace.quantity))];
  if (names.join() !== state.names) {
    state.names = names.join();
    // a current is what this is all about: it is shown first
    const current = state.preview.traces.find((trace) => trace.unit === "A")?.quantity ?? names[0];
    $("quantity").replaceChildren(...names.map((name) => make("option", name, { value: name })));
    $("quantity").value = current;
  }
  const traces = tracesOf(state.preview, $("quantity").value);
  $("traces-of").textContent = `run ${state.preview.run}, last record of each shot`;
  draw($("plots"), traces, $("scale").value === "near");
  tabulate($("levels").tBodies[0], traces);
}

// -- keeping up ------------------------------------------------------------------------------------------------

let refreshing = null;

/** Ask for everything that is listed; calls while one is under way become one more. */
async function refresh() {
  if (refreshing) { refreshing.again = true; return refreshing.done; }
  refreshing = { again: false };
  refreshing.done = (async () => {
    do {
      refreshing.again = false;
      await refreshOnce();
    } while (refreshing.again);
  })().finally(() => { refreshing = null; });
  return refreshing.done;
}

async function refreshOnce() {
  const [{ runs }, { runs: done }, { schedules }] = await Promise.all([
    ask("runs?state=queued,running,parked&limit=200"), ask("runs?state=finished,cancelled&limit=20"), ask("schedules")]);
  state.runs = runs;
  showGates(runs);
  showRunning(runs);
  showQueue(runs);
  showSchedules(schedules);
  showDone(done);
  await showResult(done);
  const of = runs.find((run) => run.state === "running") ?? runs.find((run) => run.gate) ??
    done.find((run) => run.has_file);
  const number = of?.id ?? null;
  if (number !== state.shown) { state.shown = number; await showTraces(number); }
}

async function heard(event) {
  state.lastEvent = event.id;
  const known = state.progress.get(event.run) ?? {};
  if (event.name === "step_started") state.progress.set(event.run, { ...known, step: event.data });
  if (event.name === "shot_started") state.progress.set(event.run, { ...known, shot: event.data, record: null });
  if (event.name === "record_taken") state.progress.set(event.run, { ...known, record: event.data });
  if (["run_finished", "run_cancelled", "run_parked"].includes(event.name)) state.progress.delete(event.run);
  if (CHANGES.has(event.name)) await refresh();
  else if (state.runs) showRunning(state.runs);
  if (["shot_stored", "run_stored", "run_finished"].includes(event.name) && event.run === state.shown)
    await showTraces(state.shown);
}

/** Follow the event stream by fetch, because an EventSource cannot send a token. */
async function follow() {
  const more = state.lastEvent === null ? {} : { "Last-Event-ID": String(state.lastEvent) };
  const answer = await fetch("api/v1/events", request(undefined, more));
  if (!answer.ok) throw new Refused(answer.status, await words(answer));
  let rest = "";
  const reader = answer.body.pipeThrough(new TextDecoderStream()).getReader();
  for (;;) {
    const { value, done } = await reader.read();
    if (done) return;
    const messages = (rest + value).split(/\r?\n\r?\n/);
    rest = messages.pop();
    for (const message of messages) {
      const data = message.split(/\r?\n/).find((line) => line.startsWith("data: "));
      if (data) await heard(JSON.parse(data.slice(6)));
    }
  }
}

async function showHealth() {
  const health = await ask("health");
  const waiting = health.runs.queued;
  const acting = health.status === "acting";
  $("alive").textContent = acting ? `serving; ${waiting} waiting`
    : "nobody acts on this queue now: the daemon's loop is silent";
  $("alive").classList.toggle("silent", !acting);
  state.lastEvent ??= Math.max(0, health.last_event - REPLAYED);
}

async function keepUp() {
  for (;;) {
    try {
      await showHealth();
      await refresh();
      $("token-section").hidden = true;
      await follow();
    } catch (why) {
      if (why.status === 401) return askForToken();
      $("alive").textContent = `no connection (${why.message}); trying again`;
    }
    await new Promise((go) => setTimeout(go, 2000));
  }
}

function askForToken() {
  $("alive").textContent = "waiting for the token";
  $("token-error").textContent = sessionStorage.getItem("token") ? "That token is not the daemon's." : "";
  $("token-section").hidden = false;
  $("token").focus();
}

$("token-form").addEventListener("submit", (event) => {
  event.preventDefault();
  sessionStorage.setItem("token", $("token").value.trim());
  keepUp();
});
for (const choice of ["quantity", "scale"]) $(choice).addEventListener("change", drawTraces);
setInterval(() => showHealth().catch(() => {}), 15000);
keepUp();
