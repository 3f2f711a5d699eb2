// Copyright 2026 The robot_mapping_qa authors
// SPDX-License-Identifier: Apache-2.0
// Keeps a connection to the robot, shows what comes, and shows just as clearly when nothing does.

import { Plan } from '/plan.js';

const STALE_MS = 1000, GIVE_UP_MS = 3000, WORDS = { open: 'OPEN', near: 'OPEN' };
// A place is told of up to a second after the robot was there.
const WITHIN_M = 2;
const CARRIED = { open: 'Open', near: 'Open', no_gate: 'No gate' };

const get = (id) => document.getElementById(id);
const plan = new Plan(document.querySelector('#plan canvas'), (mode) => {
  get('follow').setAttribute('aria-pressed', mode === 'follow');
  get('all').setAttribute('aria-pressed', mode === 'all');
});

let source = null, heardAt = null, openedAt = 0, explanation = '', state = null, mayHold = false;

function connect() {
  if (source) source.close();
  openedAt = performance.now();
  source = new EventSource('/stream');
  source.addEventListener('welcome', (event) => welcome(JSON.parse(event.data)));
  source.addEventListener('state', (event) => show(JSON.parse(event.data)));
  source.addEventListener('path', (event) => {
    const { piece, points } = JSON.parse(event.data);
    plan.setPiece(piece, points);
  });
  source.addEventListener('places', (event) => showPlaces(JSON.parse(event.data)));
  source.addEventListener('events', (event) => showEvents(JSON.parse(event.data)));
  source.addEventListener('error', explain);
}

function welcome(told) {
  // The robot tells everything anew: nothing is kept from before.
  plan.clear();
  showPlaces([]);
  showEvents([]);
  explanation = '';
  mayHold = told.may_hold;
  get('hand').hidden = !mayHold;
}

// EventSource does not say why a stream was refused.
async function explain() {
  const attempt = new AbortController();
  try {
    const answer = await fetch('/stream', { signal: attempt.signal });
    explanation = answer.ok ? '' : (await answer.text()).trim();
  } catch {
    explanation = '';
  }
  attempt.abort();
}

function watch() {
  const now = performance.now();
  const silent = heardAt === null ? null : now - heardAt;
  const stale = silent === null || silent > STALE_MS;
  document.body.classList.toggle('stale', stale);
  if (stale) {
    const since = silent === null ? 'yet' : `since ${Math.floor(silent / 1000)} s`;
    text('no-data-for', explanation ? `${since}: ${explanation}` : since);
    text('word', '');
    text('meaning', '');
    text('since', '');
    get('gate').className = 'no_gate';
    document.title = 'NO DATA';
    get('hand-button').disabled = true;
    if (get('confirm').open) get('confirm').close('no');
    // A connection can be dead for minutes before the browser notices.
    if (now - Math.max(heardAt ?? 0, openedAt) > GIVE_UP_MS) connect();
  }
}

function text(id, content) {
  const node = get(id);
  if (node.textContent !== content) node.textContent = content;
}

function list(id, sentences, none) {
  const node = get(id);
  const key = JSON.stringify(sentences);
  if (node.dataset.key === key) return;
  node.dataset.key = key;
  node.replaceChildren(...orNone(
    sentences.map((sentence) => element('li', '', sentence)), none));
}

function orNone(rows, sentence) {
  return rows.length ? rows : [element('li', 'none', sentence)];
}

function element(tag, name, content) {
  const node = document.createElement(tag);
  node.className = name;
  node.textContent = content;
  return node;
}

function show(told) {
  state = told;
  heardAt = performance.now();
  const { gate, error, disk, pose } = told;
  const word = WORDS[gate.kind] ?? 'HELD';
  if (get('gate').className !== gate.kind) get('gate').className = gate.kind;
  text('word', word);
  document.title = word;
  text('meaning', gate.text);
  text('since', gate.for_s === null ? '' : `${word} for ${duration(gate.for_s)}`);
  list('reason-list', gate.reasons,
    word === 'OPEN' ? 'Nothing holds the gate.'
      : gate.kind === 'no_gate' ? '' : 'Nothing holds it any more.');
  list('follow-list', gate.follows, '');
  get('follows').hidden = gate.follows.length === 0;
  get('follows').firstElementChild.textContent = `and ${gate.follows.length} that follow from it`;
  showError(error);
  showDisk(disk);
  if (pose) plan.setPose(pose);
  showAges();
  const button = get('hand-button');
  button.disabled = gate.kind === 'no_gate';
  text('hand-button', gate.by_hand ? 'Release' : 'Hold');
  button.classList.toggle('release', gate.by_hand);
  watch();
}

function showError({ now_m, limit_m, until_s, until_m }) {
  text('error-now', now_m === null ? 'not known' : metres(now_m));
  text('error-limit', limit_m === null ? '' : `of ${metres(limit_m)}`);
  const share = now_m === null || !limit_m ? null : now_m / limit_m;
  const bar = get('error-bar');
  bar.setAttribute('aria-valuenow', share === null ? 0 : Math.min(100, Math.round(100 * share)));
  bar.classList.toggle('over', share > 1);
  bar.firstElementChild.style.width = `${Math.min(100, 100 * (share ?? 0))}%`;
  const none = until_s === null && until_m === null;
  text('until-s', now_m === null ? '–' : none ? (share > 1 ? 'over it' : 'not in sight')
    : until_s === null ? '' : duration(until_s));
  text('until-m', until_m === null ? '' : `${until_s === null ? '' : '· '}${until_m.toFixed(0)} m`);
}

function showDisk(disk) {
  const minutes = disk?.minutes ?? null;
  const free = disk === null || disk.free_bytes === null ? 'not known'
    : `${gigabytes(disk.free_bytes)} free`;
  // Nobody works longer than a day without looking here, nor is the rate known so well.
  text('disk', disk === null ? 'no recorder' : minutes === null ? free
    : minutes > 24 * 60 ? '> 24 h' : duration(60 * minutes));
  text('disk-text', disk === null ? '' : !disk.good ? disk.text : minutes === null ? '' : free);
  get('disk-text').classList.toggle('bad', disk !== null && !disk.good);
}

function showPlaces(places) {
  plan.setPlaces(places);
  text('place-count', String(places.length));
  const rows = places.map((place) => {
    const row = element('li', '', '');
    const button = element('button', '', '');
    button.type = 'button';
    button.append(element('span', 'number', String(place.number)), element('span', '', ''));
    button.lastChild.append(
      element('div', 'where', ''),
      element('div', 'why', place.reasons));
    button.addEventListener('click', () => plan.goTo(place));
    button.place = place;
    row.append(button);
    return row;
  });
  get('place-list').replaceChildren(...orNone(rows, 'No place so far.'));
  showAges();
}

function showEvents(events) {
  const rows = events.slice().reverse().map((event) => {
    const row = element('li', event.bad ? 'bad' : '', '');
    row.append(element('time', '', ''), element('b', '', event.kind.replaceAll('_', ' ')),
      ` ${event.text}`);
    row.dataset.at = event.at_ms;
    return row;
  });
  get('event-list').replaceChildren(...orNone(rows, 'Nothing so far.'));
  showAges();
}

// What changes by itself: where a place is from here, and how long ago something was.
function showAges() {
  if (!state) return;
  for (const button of get('place-list').querySelectorAll('button')) {
    const { from_m, to_m } = button.place;
    const where = button.querySelector('.where');
    const content = `path ${from_m.toFixed(1)} to ${to_m.toFixed(1)}\u00a0m${seenFromHere(button.place)}`;
    if (where.textContent !== content) where.textContent = content;
  }
  for (const row of get('event-list').querySelectorAll('[data-at]')) {
    const age = `${duration(Math.max(0, (state.now_ms - row.dataset.at) / 1000))} ago`;
    if (row.firstElementChild.textContent !== age) row.firstElementChild.textContent = age;
  }
}

// Where a place's middle is, as the robot looks, unless the robot is still within the place.
function seenFromHere({ x, y, from_m, to_m }) {
  const { pose, error: { path_m } } = state;
  if (path_m !== null && path_m >= from_m && path_m <= to_m + WITHIN_M) return ': you are in it';
  if (!pose) return '';
  const [dx, dy] = [x - pose.x, y - pose.y];
  const turn = Math.atan2(dy, dx) - pose.yaw;
  const side = Math.abs(Math.sin(turn)) > Math.SQRT1_2 ? (Math.sin(turn) > 0 ? 'to your left'
    : 'to your right') : Math.cos(turn) > 0 ? 'ahead of you' : 'behind you';
  return `, its middle ${Math.hypot(dx, dy).toFixed(0)}\u00a0m ${side}`;
}

function gigabytes(bytes) {
  const value = bytes / 1e9;
  return `${value.toFixed(value < 10 ? 1 : 0)} GB`;
}

function metres(value) {
  return value < 10 ? `${value.toFixed(3)} m` : `${value.toFixed(0)} m`;
}

function duration(seconds) {
  if (seconds < 100) return `${Math.floor(seconds)} s`;
  const minutes = Math.floor(seconds / 60);
  return minutes < 100 ? `${minutes} min` : `${Math.floor(minutes / 60)} h ${minutes % 60} min`;
}

get('hand-button').addEventListener('click', () => {
  const { gate } = state;
  const hold = !gate.by_hand;
  get('confirm').dataset.hold = hold;
  text('confirm-title', hold ? 'Hold the gate?' : 'Release the gate?');
  const now = CARRIED[gate.kind] ?? 'Held';
  text('confirm-state', `Now: ${now}; ${[gate.text, ...gate.reasons].join('; ')}. ${hold
    ? 'No capture is allowed until somebody releases it.'
    : 'It opens as soon as nothing else holds it.'}`);
  text('confirm-yes', hold ? 'Hold' : 'Release');
  get('confirm').returnValue = 'no';
  get('confirm').showModal();
});

get('confirm').addEventListener('close', async () => {
  if (get('confirm').returnValue !== 'yes') return;
  const hold = get('confirm').dataset.hold === 'true';
  text('hand-answer', hold ? 'Asked to hold …' : 'Asked to release …');
  try {
    const answer = await fetch('/hold', {
      method: 'POST', headers: { 'Content-Type': 'application/json' },
      body: JSON.stringify({ hold, seen_by_hand: !hold }) });
    const told = answer.headers.get('Content-Type')?.startsWith('application/json')
      ? await answer.json() : { done: false, text: (await answer.text()).trim() };
    text('hand-answer', told.done ? `The gate says: ${told.text}` : `Not done. ${told.text}`);
  } catch {
    text('hand-answer', 'Not done. The robot did not answer.');
  }
  setTimeout(() => text('hand-answer', ''), 10000);
});

get('nearer').addEventListener('click', () => plan.zoom(1.4));
get('farther').addEventListener('click', () => plan.zoom(1 / 1.4));
get('all').addEventListener('click', () => plan.setMode('all'));
get('follow').addEventListener('click', () => plan.setMode(
  plan.mode === 'follow' ? 'free' : 'follow'));
document.addEventListener('visibilitychange', watch);
setInterval(watch, 200);
plan.setMode('all');
connect();
