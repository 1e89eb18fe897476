'use strict';
// The page is whole without this script; it adds the timeline to zoom into and the stage to step on.

// What a call byte holds; written by frame_data.rs.
const CLASS_MASK = 3, EVIDENCE_SHIFT = 2, OUTSIDE = 16, UNSURE = 32;
const NEW = 0, REPEAT = 1, STILL = 2;
const FLAGS = ['blend', 'combed', 'one-field', 'out-of-order', 'after-drop', 'after-gap', 'cut'];
const FLAG_WORDS = ['mix of two pictures', 'two moments woven together', 'rebuilt from one field',
  'out of order', 'after dropped pictures', 'after a gap in the recording', 'first frame of another shot'];
const EVIDENCE_WORDS = ['', 'by the measured change', 'by the pattern around it', 'by its place in the clip'];
const STEP_BYTES = 6;
// Frames summed up per block: zoomed out, a column of pixels is read from blocks.
const BLOCK = 64;
// Fewest frames across the timeline.
const SPAN_MIN = 8;
// A frame lasts this many periods at most; what is beyond is a gap and stays empty.
const GAP_PERIODS = 1.5;
// Frames a share is taken over at least, so that an even cadence gives a flat line.
const SHARE_FRAMES = 12;
const ZOOM_STEP = 1.6;

const byId = (id) => document.getElementById(id);
const grouped = (number) => String(number).replace(/\B(?=(\d{3})+$)/g, '\u202f');

function clock(seconds) {
  const ms = Math.max(0, Math.round(seconds * 1000));
  const whole = Math.floor(ms / 1000), rest = String(ms % 1000).padStart(3, '0');
  const s = whole % 60, minutes = Math.floor(whole / 60) % 60, hours = Math.floor(whole / 3600);
  const two = (n) => String(n).padStart(2, '0');
  if (hours) return `${hours}:${two(minutes)}:${two(s)}.${rest} h`;
  if (minutes) return `${minutes}:${two(s)}.${rest} min`;
  return `${s}.${rest} s`;
}

// ---------------------------------------------------------------- data

async function frameData(facts) {
  const packed = atob(byId('frame-data').textContent);
  const bytes = new Uint8Array(packed.length);
  for (let i = 0; i < packed.length; i++) bytes[i] = packed.charCodeAt(i);
  const stream = new Blob([bytes]).stream().pipeThrough(new DecompressionStream('deflate'));
  return indexed(facts, new Uint8Array(await new Response(stream).arrayBuffer()));
}

function indexed(facts, bytes) {
  const n = facts.frames;
  const data = { n, calls: bytes.subarray(0, n), flags: bytes.subarray(n, 2 * n), times: null, step: null };
  data.counts = [0, 1, 2, 3].map(() => new Uint32Array(n + 1));
  data.start = new Uint32Array(n);
  data.hold = new Uint32Array(n);
  data.flagged = FLAGS.map(() => []);
  countCalls(data);
  if (facts.measured) readTimes(data, facts, bytes.subarray(2 * n));
  data.holdBlocks = extremes(data.hold);
  data.stepBlocks = data.step && extremes(data.step);
  return data;
}

// Running counts of new, repeat, still and outside the pattern; where each picture begins and how long it stays.
function countCalls(data) {
  const { n, calls, flags, counts, start, hold } = data;
  const [news, repeats, stills, outsides] = counts;
  let a = 0, b = 0, c = 0, d = 0, first = 0;
  for (let i = 0; i < n; i++) {
    const kind = calls[i] & CLASS_MASK;
    if (kind === NEW) {
      a++;
      for (let k = first; k < i; k++) hold[k] = i - first;
      first = i;
    } else if (kind === REPEAT) b++;
    else c++;
    if (calls[i] & OUTSIDE) d++;
    start[i] = first;
    news[i + 1] = a; repeats[i + 1] = b; stills[i + 1] = c; outsides[i + 1] = d;
    if (flags[i]) for (let f = 0; f < FLAGS.length; f++) if (flags[i] & (1 << f)) data.flagged[f].push(i);
  }
  for (let k = first; k < n; k++) hold[k] = n - first;
}

// Seconds of each frame, never running backwards, and each step's difference from the usual one in ms.
function readTimes(data, facts, planes) {
  const n = data.n;
  data.times = new Float64Array(n);
  data.step = new Float32Array(n);
  let now = 0, shown = 0;
  for (let i = 0; i < n; i++) {
    const low = planes[i] | planes[n + i] << 8 | planes[2 * n + i] << 16;
    const high = (planes[3 * n + i] | planes[4 * n + i] << 8 | planes[5 * n + i] << 16) << 8 >> 8;
    const step = high * 16777216 + low;
    now += step;
    shown = Math.max(shown, now);
    data.times[i] = shown / 1e6;
    data.step[i] = i === 0 ? 0 : step / 1000 - facts.period_s * 1000;
  }
}

function extremes(values) {
  const blocks = Math.ceil(values.length / BLOCK);
  const low = new Float32Array(blocks).fill(Infinity), high = new Float32Array(blocks).fill(-Infinity);
  for (let i = 0; i < values.length; i++) {
    const block = (i / BLOCK) | 0;
    if (values[i] < low[block]) low[block] = values[i];
    if (values[i] > high[block]) high[block] = values[i];
  }
  return { low, high };
}

// Smallest and largest value from frame a to before b.
function range(values, blocks, a, b) {
  let low = Infinity, high = -Infinity;
  const see = (x, y) => { if (x < low) low = x; if (y > high) high = y; };
  let i = a;
  for (; i < b && i % BLOCK; i++) see(values[i], values[i]);
  for (; i + BLOCK <= b; i += BLOCK) see(blocks.low[i / BLOCK], blocks.high[i / BLOCK]);
  for (; i < b; i++) see(values[i], values[i]);
  return [low, high];
}

// The first place of a sorted list that is at least a value.
function firstFrom(list, value) {
  let low = 0, high = list.length;
  while (low < high) {
    const middle = (low + high) >> 1;
    if (list[middle] < value) low = middle + 1; else high = middle;
  }
  return low;
}

// Those of a rising list from one to another, both included.
function between(list, first, last) { return list.slice(firstFrom(list, first), firstFrom(list, last + 1)); }

// ---------------------------------------------------------------- timeline

class Timeline {
  constructor(facts, data) {
    this.facts = facts;
    this.data = data;
    this.canvas = byId('lanes');
    this.slider = byId('slider');
    this.from = 0;
    this.span = facts.duration_s;
    this.cursor = 0;
    this.spanMin = Math.min(facts.duration_s, SPAN_MIN * facts.period_s);
    this.onCursor = () => {};
    this.rows = [...new Set(facts.events.map((event) => event.kind))];
    this.flagRows = facts.flag_lanes.filter((f) => data.flagged[f].length);
    this.slider.setAttribute('aria-valuemax', data.n - 1);
    this.listen();
    new ResizeObserver(() => this.later()).observe(this.slider);
    matchMedia('(prefers-color-scheme: dark)').addEventListener('change', () => this.later());
  }

  time(frame) { return this.data.times ? this.data.times[frame] : frame * this.facts.period_s; }

  end(frame) {
    const next = frame + 1 < this.data.n ? this.time(frame + 1) : this.facts.duration_s;
    return Math.min(next, this.time(frame) + GAP_PERIODS * this.facts.period_s);
  }

  // The frame that is on screen at a time.
  frameAt(seconds) {
    const { n, times } = this.data;
    const frame = times ? firstFrom(times, seconds + 1e-9) - 1 : Math.floor(seconds / this.facts.period_s + 1e-6);
    return Math.max(0, Math.min(n - 1, frame));
  }

  setView(from, span) {
    const duration = this.facts.duration_s;
    this.span = Math.max(this.spanMin, Math.min(duration, span));
    this.from = Math.max(0, Math.min(duration - this.span, from));
    this.later();
  }

  // Keeps the moment at `share` of the width where it is.
  zoom(factor, share) {
    const at = this.from + share * this.span;
    const span = Math.max(this.spanMin, Math.min(this.facts.duration_s, this.span / factor));
    this.setView(at - share * span, span);
  }

  cursorShare() {
    const share = (this.time(this.cursor) - this.from) / this.span;
    return share >= 0 && share <= 1 ? share : 0.5;
  }

  setCursor(frame) {
    this.cursor = Math.max(0, Math.min(this.data.n - 1, Math.round(frame)));
    const t = this.time(this.cursor);
    if (t < this.from) this.setView(t - this.span * 0.1, this.span);
    if (t > this.from + this.span * 0.98) this.setView(t - this.span * 0.9, this.span);
    const words = this.words(this.cursor);
    this.slider.setAttribute('aria-valuenow', this.cursor);
    this.slider.setAttribute('aria-valuetext', words);
    byId('readout').textContent = words;
    this.later();
    this.onCursor(this.cursor);
  }

  words(frame) {
    const { calls, flags, start, hold } = this.data;
    const call = calls[frame], kind = call & CLASS_MASK, evidence = (call >> EVIDENCE_SHIFT) & 3;
    const parts = [`Frame ${grouped(frame)} at ${clock(this.time(frame))}`];
    parts.push(kind === NEW ? 'new picture' : kind === REPEAT ? `repeats frame ${grouped(frame - 1)}` : 'still, not judged');
    if (frame > 0) {
      parts.push(evidence === 0 ? (kind === NEW ? 'its digest differs' : 'identical to the last bit') : EVIDENCE_WORDS[evidence]);
      if (call & UNSURE) parts.push('not sure');
    }
    parts.push(`frame ${frame - start[frame] + 1} of ${hold[frame]} that show this picture`);
    if (call & OUTSIDE) parts.push('outside the pattern');
    for (let f = 0; f < FLAGS.length; f++) if (flags[frame] & (1 << f)) parts.push(FLAG_WORDS[f]);
    const found = this.facts.events.filter((event) => event.first <= frame && frame <= event.last);
    for (const event of found.slice(0, 3)) parts.push(`in event ${event.number}, ${event.kind}`);
    return parts.join(', ') + '.';
  }

  show(first, last) {
    const period = this.facts.period_s;
    const length = this.end(Math.min(last, this.data.n - 1)) - this.time(first);
    const span = Math.max(length * 1.5, 24 * period);
    this.setView(this.time(first) - Math.min(span * 0.25, length < span ? (span - length) / 2 : 0), span);
    this.setCursor(first);
  }

  nextEvent(direction) {
    const starts = [...new Set(this.facts.events.map((event) => event.first))].sort((a, b) => a - b);
    const next = direction > 0 ? starts.find((at) => at > this.cursor) : starts.reverse().find((at) => at < this.cursor);
    const event = this.facts.events.find((one) => one.first === next);
    if (event) this.show(event.first, event.last);
  }

  act(what) {
    const actions = {
      whole: () => this.setView(0, this.facts.duration_s),
      in: () => this.zoom(ZOOM_STEP, this.cursorShare()),
      out: () => this.zoom(1 / ZOOM_STEP, this.cursorShare()),
      frames: () => { const span = 24 * this.facts.period_s; this.setView(this.time(this.cursor) - span / 2, span); },
      earlier: () => this.setView(this.from - this.span * 0.8, this.span),
      later: () => this.setView(this.from + this.span * 0.8, this.span),
      'previous-event': () => this.nextEvent(-1),
      'next-event': () => this.nextEvent(1),
    };
    actions[what]();
  }

  listen() {
    // Arrows step at once, wherever nothing else wants them.
    document.addEventListener('keydown', (event) => {
      const steps = { ArrowLeft: -1, ArrowRight: 1 };
      if (!(event.key in steps) || event.defaultPrevented || event.ctrlKey || event.metaKey || event.altKey) return;
      if (event.target.closest('select, input, textarea, .scroll, .chart, #slider, #stage')) return;
      event.preventDefault();
      this.setCursor(this.cursor + steps[event.key]);
    });
    const keys = { '+': 'in', '=': 'in', '-': 'out', 0: 'whole', 1: 'frames', PageUp: 'earlier', PageDown: 'later',
      '[': 'previous-event', ']': 'next-event', ArrowUp: 'in', ArrowDown: 'out' };
    this.slider.addEventListener('keydown', (event) => {
      if (event.ctrlKey || event.metaKey || event.altKey) return;
      const moves = { ArrowLeft: this.cursor - 1, ArrowRight: this.cursor + 1, Home: 0, End: this.data.n - 1 };
      if (event.key in moves) this.setCursor(moves[event.key]);
      else if (event.key in keys) this.act(keys[event.key]);
      else return;
      event.preventDefault();
    });
    this.slider.addEventListener('wheel', (event) => {
      if (document.activeElement !== this.slider && !event.ctrlKey) return;
      event.preventDefault();
      if (Math.abs(event.deltaX) > Math.abs(event.deltaY)) this.setView(this.from + this.span * event.deltaX / 800, this.span);
      else this.zoom(event.deltaY < 0 ? ZOOM_STEP : 1 / ZOOM_STEP, this.shareAt(event));
    }, { passive: false });
    let grip = null;
    this.slider.addEventListener('pointerdown', (event) => {
      grip = { x: event.clientX, from: this.from, moved: false };
      this.slider.setPointerCapture(event.pointerId);
    });
    this.slider.addEventListener('pointermove', (event) => {
      if (!grip) return;
      const px = event.clientX - grip.x;
      if (Math.abs(px) > 4) grip.moved = true;
      if (grip.moved) this.setView(grip.from - px / this.plotWidth * this.span, this.span);
    });
    const release = (event) => {
      if (grip && !grip.moved && event.type === 'pointerup') this.setCursor(this.frameAt(this.from + this.shareAt(event) * this.span));
      grip = null;
    };
    this.slider.addEventListener('pointerup', release);
    this.slider.addEventListener('pointercancel', release);
    for (const button of document.querySelectorAll('[data-do]')) button.addEventListener('click', () => this.act(button.dataset.do));
  }

  shareAt(event) {
    const box = this.canvas.getBoundingClientRect();
    return Math.max(0, Math.min(1, (event.clientX - box.left - this.plotLeft) / this.plotWidth));
  }

  later() {
    if (this.waiting) return;
    this.waiting = true;
    requestAnimationFrame(() => {
      this.waiting = false;
      const began = performance.now();
      this.draw();
      performance.measure('evenbeat-draw', { start: began, end: performance.now() });
    });
  }

  draw() {
    const css = getComputedStyle(document.documentElement);
    const color = (name) => css.getPropertyValue(`--${name}`).trim();
    this.colors = Object.fromEntries(['paper', 'ink', 'quiet', 'line', 'shade', 'new', 'repeat', 'still', 'fault', 'warning',
      'info', 'range', 'hold'].map((name) => [name, color(name)]));
    const width = Math.max(200, Math.floor(this.slider.clientWidth));
    const narrow = width < 620;
    this.plotLeft = narrow ? 0 : 150;
    this.plotWidth = width - this.plotLeft - 8;
    this.narrow = narrow;
    const lanes = this.lanes();
    const height = lanes[lanes.length - 1].top + lanes[lanes.length - 1].height;
    const ratio = window.devicePixelRatio || 1;
    if (this.canvas.width !== Math.round(width * ratio) || this.canvas.height !== Math.round(height * ratio)) {
      this.canvas.width = Math.round(width * ratio);
      this.canvas.height = Math.round(height * ratio);
      this.canvas.style.height = '';
    }
    const pen = this.canvas.getContext('2d', { alpha: false });
    pen.setTransform(ratio, 0, 0, ratio, 0, 0);
    pen.fillStyle = this.colors.paper;
    pen.fillRect(0, 0, width, height);
    pen.font = '13px system-ui, sans-serif';
    this.columns = this.columnFrames();
    for (const lane of lanes) {
      this.laneName(pen, lane);
      lane.draw(pen, lane);
    }
    this.drawCursor(pen, height);
  }

  lanes() {
    const lanes = [];
    let top = 0;
    const add = (name, height, draw) => { const label = this.narrow ? 18 : 0; lanes.push({ name, top: top + label, height, draw }); top += height + label + 10; };
    add('', 14, (pen, lane) => this.drawPlace(pen, lane));
    for (const kind of this.rows) add(kind, 18, (pen, lane) => this.drawEvents(pen, lane, kind));
    for (const flag of this.flagRows) add(FLAGS[flag].replace(/-/g, ' '), 14, (pen, lane) => this.drawFlags(pen, lane, flag));
    add('new, up', 112, (pen, lane) => this.drawFrames(pen, lane));
    add('picture stays, frames', 76, (pen, lane) => this.drawHolds(pen, lane));
    if (this.data.step && this.facts.step_lane) add('step off by, ms', 60, (pen, lane) => this.drawSteps(pen, lane));
    add('', 30, (pen, lane) => this.drawAxis(pen, lane));
    return lanes;
  }

  laneName(pen, lane) {
    pen.fillStyle = this.colors.quiet;
    pen.textAlign = this.narrow ? 'left' : 'right';
    pen.textBaseline = 'alphabetic';
    if (this.narrow) pen.fillText(lane.name === 'new, up' ? 'new up, repeat down' : lane.name, 0, lane.top - 5);
    else if (lane.name === 'new, up') {
      pen.fillText('new picture', this.plotLeft - 10, lane.top + 32);
      pen.fillText('same again', this.plotLeft - 10, lane.top + 90);
    } else pen.fillText(lane.name, this.plotLeft - 10, lane.top + Math.min(lane.height, 26) / 2 + 5);
  }

  // For each column of pixels the frames in it: first and last (exclusive), equal in a gap.
  columnFrames() {
    const width = this.plotWidth, first = new Uint32Array(width), end = new Uint32Array(width);
    for (let x = 0; x < width; x++) {
      const t0 = this.from + x / width * this.span, t1 = this.from + (x + 1) / width * this.span;
      const a = this.frameAt(t0), b = this.frameAt(t1 - 1e-9);
      const starts = this.end(a) <= t0 && a < this.data.n ? a + 1 : a;
      first[x] = Math.min(starts, b + 1);
      end[x] = b + 1;
    }
    return { first, end };
  }

  x(seconds) { return this.plotLeft + (seconds - this.from) / this.span * this.plotWidth; }

  // Which part of the capture is shown.
  drawPlace(pen, lane) {
    const { line, ink } = this.colors, all = this.facts.duration_s;
    if (this.span >= all) return;
    const left = this.plotLeft + this.from / all * this.plotWidth;
    const width = Math.max(3, this.span / all * this.plotWidth);
    pen.fillStyle = line;
    pen.fillRect(this.plotLeft, lane.top + 9, this.plotWidth, 1);
    pen.fillStyle = ink;
    pen.fillRect(left, lane.top + 6, width, 7);
  }

  drawEvents(pen, lane, kind) {
    const worst = new Uint8Array(this.plotWidth), middle = lane.top + lane.height / 2;
    const rank = { info: 1, warning: 2, fault: 3 }, names = ['', 'info', 'warning', 'fault'];
    const shapes = [];
    const labels = [];
    for (const event of this.facts.events) {
      if (event.kind !== kind) continue;
      const a = (this.time(event.first) - this.from) / this.span * this.plotWidth;
      const b = (this.end(Math.min(event.last, this.data.n - 1)) - this.from) / this.span * this.plotWidth;
      if (b < 0 || a > this.plotWidth) continue;
      const left = Math.max(0, Math.min(this.plotWidth - 3, Math.floor(a))), right = Math.min(this.plotWidth, Math.max(left + 3, Math.ceil(b)));
      const marked = event.flag === null ? [] : between(this.data.flagged[event.flag], event.first, event.last);
      const spans = marked.length ? marked.map((i) => [this.time(i), this.end(i)]) : [[this.time(event.first), this.end(Math.min(event.last, this.data.n - 1))]];
      for (const [begin, end] of spans) {
        const from = Math.floor((begin - this.from) / this.span * this.plotWidth), to = Math.max(from + 3, Math.ceil((end - this.from) / this.span * this.plotWidth));
        for (let x = Math.max(0, from); x < Math.min(this.plotWidth, to); x++) worst[x] = Math.max(worst[x], rank[event.severity]);
      }
      if (a >= -6) shapes.push([left, rank[event.severity]]);
      // Beside what is short, on what is long; between few marks a label would hide one.
      const isSparse = marked.length > 1 && 2 * marked.length < event.last - event.first + 1;
      const isLong = !isSparse && right - left >= this.plotWidth / 2;
      labels.push([left, isLong ? left + 14 : Math.max(right, left + 10) + 3, event, isLong]);
    }
    for (let x = 0; x < this.plotWidth; x++) {
      if (!worst[x]) continue;
      let to = x;
      while (to < this.plotWidth && worst[to] === worst[x]) to++;
      pen.fillStyle = this.colors[names[worst[x]]];
      pen.fillRect(this.plotLeft + x, middle - 3, to - x, 6);
      x = to - 1;
    }
    shapes.sort((one, other) => other[1] - one[1]);
    const taken = new Set();
    for (const [x, severity] of shapes) {
      const place = Math.floor(x / 10);
      if (taken.has(place) || taken.has(place - 1)) continue;
      taken.add(place);
      this.shape(pen, this.plotLeft + x, middle, severity, this.colors[names[severity]]);
    }
    // What happened in words where there is room up to the next mark; else its number; else nothing.
    pen.textAlign = 'left';
    pen.fillStyle = this.colors.ink;
    for (const [place, [, begin, event, isLong]] of labels.entries()) {
      const room = (place + 1 < labels.length ? labels[place + 1][0] - 10 : this.plotWidth) - begin;
      const label = [event.text, String(event.number)].find((one) => pen.measureText(one).width <= room);
      if (label && isLong) {
        pen.fillStyle = this.colors.paper;
        pen.fillRect(this.plotLeft + begin - 4, middle - 9, pen.measureText(label).width + 8, 18);
        pen.fillStyle = this.colors.ink;
      }
      if (label) pen.fillText(label, this.plotLeft + begin, middle + 5);
    }
  }

  // Diamond for a fault, triangle for a warning, square for what is worth knowing.
  shape(pen, x, y, severity, color) {
    pen.beginPath();
    const points = { 3: [[0, -8], [8, 0], [0, 8], [-8, 0]], 2: [[0, -7], [8, 7], [-8, 7]], 1: [[-6, -6], [6, -6], [6, 6], [-6, 6]] }[severity];
    for (const [dx, dy] of points) pen.lineTo(x + dx, y + dy);
    pen.closePath();
    pen.fillStyle = color;
    pen.fill();
    pen.strokeStyle = this.colors.ink;
    pen.stroke();
  }

  drawFlags(pen, lane, flag) {
    const list = this.data.flagged[flag], { first, end } = this.columns;
    pen.fillStyle = this.colors.quiet;
    for (let x = 0; x < this.plotWidth; x++) {
      const at = firstFrom(list, first[x]);
      if (at < list.length && list[at] < end[x]) pen.fillRect(this.plotLeft + x, lane.top, Math.min(3, this.plotWidth - x), lane.height);
    }
  }

  framePx() { return this.facts.period_s / this.span * this.plotWidth; }

  drawFrames(pen, lane) {
    const middle = lane.top + lane.height / 2, half = lane.height / 2 - 1;
    if (this.framePx() >= 3) this.drawBlocks(pen, middle, half);
    else this.drawShares(pen, middle, half);
    pen.fillStyle = this.colors.ink;
    pen.fillRect(this.plotLeft, middle, this.plotWidth, 1);
  }

  drawBlocks(pen, middle, half) {
    const { calls, counts } = this.data, px = this.framePx();
    const last = this.frameAt(this.from + this.span);
    pen.textAlign = 'center';
    for (let i = this.frameAt(this.from); i <= last; i++) {
      const x0 = Math.max(this.plotLeft, this.x(this.time(i))), x1 = Math.min(this.plotLeft + this.plotWidth, this.x(this.end(i)));
      const kind = calls[i] & CLASS_MASK, width = Math.max(1, x1 - x0 - (px > 5 ? 2 : 1));
      if (x1 <= x0) continue;
      const outside = calls[i] & OUTSIDE && kind === REPEAT;
      pen.fillStyle = kind === NEW ? this.colors.new : kind === STILL ? this.colors.still : outside ? this.colors.fault : this.colors.repeat;
      const [top, height] = kind === NEW ? [middle - half, half] : kind === STILL ? [middle - 8, 16] : [middle + 1, half * (outside ? 1 : 0.8)];
      pen.fillRect(x0, top, width, height);
      if (px < 16) continue;
      // The same letter is the same picture.
      pen.fillStyle = kind === NEW ? '#ffffff' : '#000000';
      pen.font = 'bold 15px system-ui, sans-serif';
      pen.fillText(String.fromCharCode(65 + (counts[0][i + 1] + 25) % 26), (x0 + x1) / 2 - 1, kind === NEW ? middle - half / 2 + 5 : middle + half / 2 + 3);
      pen.font = '13px system-ui, sans-serif';
      if (px < 46) continue;
      pen.fillStyle = this.colors.quiet;
      pen.fillText(grouped(i), (x0 + x1) / 2 - 1, kind === NEW ? middle + 16 : middle - 7);
    }
  }

  drawShares(pen, middle, half) {
    const { counts, n } = this.data, { first, end } = this.columns;
    const period = Math.min(60, this.facts.pattern_frames);
    const there = (k, x) => counts[k][end[x]] - counts[k][first[x]] > 0;
    // At least three pixels where there is any: one repeat among thousands of frames shows.
    const lengths = (k) => this.perColumn((x, a, b) => {
      if (!there(k, x)) return 0;
      // No share is taken across the edge of a stall, so that it stands upright.
      const [low, high] = this.part(a, b, n);
      const wanted = Math.min(high - low, Math.ceil(Math.max(b - a, SHARE_FRAMES) / period) * period);
      const from = Math.max(low, Math.min(high - wanted, a - ((wanted - (b - a)) >> 1)));
      return Math.max(3, Math.round((counts[k][from + wanted] - counts[k][from]) / wanted * half));
    });
    const up = lengths(0), down = lengths(1), still = this.perColumn((x) => (there(2, x) ? 5 : 0));
    const outside = this.perColumn((x) => (there(3, x) && there(1, x) ? down[x] : 0));
    this.bars(pen, this.colors.new, (x) => [middle - up[x], middle]);
    this.bars(pen, this.colors.repeat, (x) => [middle, middle + (outside[x] ? 0 : down[x])]);
    this.bars(pen, this.colors.fault, (x) => [middle, middle + outside[x]]);
    this.bars(pen, this.colors.still, (x) => [middle - still[x], middle + still[x]]);
  }

  // The part between two edges of stalls that holds the frames from a to before b.
  part(a, b, n) {
    const edges = this.edges ||= this.facts.events.filter((event) => event.stalls)
      .flatMap((event) => { const held = this.held(event); return [held[0] + 1, held[1]]; }).sort((one, other) => one - other);
    const next = firstFrom(edges, b), before = firstFrom(edges, a + 1) - 1;
    return [before >= 0 ? edges[before] : 0, next < edges.length ? edges[next] : n];
  }

  // The longest hold of an event: its first frame and the one after its last.
  held(event) {
    let first = event.first;
    for (let i = event.first; i <= event.last; i++) if (this.data.hold[i] > this.data.hold[first]) first = i;
    return [this.data.start[first], this.data.start[first] + this.data.hold[first]];
  }

  perColumn(value) {
    const { first, end } = this.columns;
    return Int32Array.from(first, (a, x) => (end[x] > a ? value(x, a, end[x]) : 0));
  }

  // One bar per column from top to bottom; neighbours of equal extent are drawn as one.
  bars(pen, color, extent) {
    pen.fillStyle = color;
    let began = 0, [top, bottom] = extent(0);
    for (let x = 1; x <= this.plotWidth; x++) {
      const [nextTop, nextBottom] = x < this.plotWidth ? extent(x) : [NaN, NaN];
      if (nextTop === top && nextBottom === bottom) continue;
      if (bottom > top) pen.fillRect(this.plotLeft + began, top, x - began, bottom - top);
      [began, top, bottom] = [x, nextTop, nextBottom];
    }
  }

  // Smallest and largest value of each column; nothing in gaps.
  columnRanges(values, blocks) {
    const { first, end } = this.columns;
    return Array.from(first, (a, x) => (end[x] > a ? range(values, blocks, a, end[x]) : null));
  }

  // From the shortest to the longest hold of each column.
  drawHolds(pen, lane) {
    const found = this.columnRanges(this.data.hold, this.data.holdBlocks);
    const bottom = lane.top + lane.height;
    const most = found.reduce((high, one) => (one ? Math.max(high, one[1]) : high), 4);
    // Long holds must not flatten the short ones: square root of frames.
    const y = (frames) => Math.round(bottom - Math.sqrt(frames / most) * (lane.height - 4));
    this.bars(pen, this.colors.range, (x) => (found[x] ? [y(found[x][1]), y(found[x][0])] : [0, 0]));
    this.bars(pen, this.colors.hold, (x) => (found[x] ? [y(found[x][1]) - 1, y(found[x][1]) + 2] : [0, 0]));
    this.scaleTicks(pen, lane, most);
  }

  // Lines at whole numbers of frames, named at the left edge of the plot.
  scaleTicks(pen, lane, most) {
    pen.textAlign = 'left';
    const bottom = lane.top + lane.height;
    let below = Infinity;
    for (const tick of [1, 2, 3, 5, 10, 30, 100, 300, 1000, 10000, 100000].filter((one) => one <= most)) {
      const y = bottom - Math.sqrt(tick / most) * (lane.height - 4);
      pen.fillStyle = this.colors.line;
      pen.fillRect(this.plotLeft, y, this.plotWidth, 1);
      if (below - y < 13) continue;
      below = y;
      this.note(pen, String(tick), this.plotLeft + 2, y + 4);
    }
  }

  // Small text on the plot, readable over whatever is drawn there.
  note(pen, text, x, y) {
    pen.fillStyle = this.colors.paper;
    pen.fillRect(x, y - 11, pen.measureText(text).width + 4, 14);
    pen.fillStyle = this.colors.quiet;
    pen.fillText(text, x + 2, y);
  }

  // How far each step between timestamps is off the usual one, longer up, shorter down.
  drawSteps(pen, lane) {
    const found = this.columnRanges(this.data.step, this.data.stepBlocks);
    const middle = lane.top + lane.height / 2;
    const most = found.reduce((high, one) => (one ? Math.max(high, Math.abs(one[0]), Math.abs(one[1])) : high), 1);
    const y = (ms) => Math.round(middle - Math.sign(ms) * Math.sqrt(Math.abs(ms) / most) * (lane.height / 2 - 2));
    pen.fillStyle = this.colors.line;
    pen.fillRect(this.plotLeft, middle, this.plotWidth, 1);
    this.bars(pen, this.colors.hold, (x) => (found[x] ? [y(found[x][1]) - 1, y(found[x][0]) + 1] : [0, 0]));
    pen.textAlign = 'left';
    this.note(pen, `±${most < 10 ? most.toFixed(1) : Math.round(most)} ms`, this.plotLeft + 2, lane.top + 11);
  }

  drawAxis(pen, lane) {
    const steps = [0.001, 0.002, 0.005, 0.01, 0.02, 0.05, 0.1, 0.2, 0.5, 1, 2, 5, 10, 15, 30, 60, 120, 300, 600, 900, 1800, 3600, 7200, 14400, 43200, 86400];
    const wanted = this.span / Math.max(3, this.plotWidth / 120);
    const step = steps.find((one) => one >= wanted) || wanted;
    pen.fillStyle = this.colors.ink;
    pen.fillRect(this.plotLeft, lane.top, this.plotWidth, 1);
    for (let k = Math.ceil(this.from / step - 1e-9); k * step <= this.from + this.span + 1e-9; k++) {
      const x = this.x(k * step);
      pen.fillRect(x, lane.top, 1, 6);
      const text = clock(k * step).replace(step >= 1 ? /\.\d+/ : /$^/, '');
      const half = pen.measureText(text).width / 2;
      pen.textAlign = 'left';
      pen.fillText(text, Math.max(this.plotLeft, Math.min(this.plotLeft + this.plotWidth - 2 * half, x - half)), lane.top + 20);
    }
  }

  drawCursor(pen, height) {
    const x = this.x(this.time(this.cursor));
    if (x < this.plotLeft - 1 || x > this.plotLeft + this.plotWidth) return;
    const width = Math.max(2, Math.min(this.framePx(), this.x(this.end(this.cursor)) - x));
    pen.strokeStyle = this.colors.ink;
    pen.lineWidth = 2;
    pen.strokeRect(x - 1, 22, width, height - 54);
    pen.lineWidth = 1;
  }
}

// ---------------------------------------------------------------- pictures

class Stage {
  constructor() {
    this.stage = byId('stage');
    this.films = [...document.querySelectorAll('.film')].map((film) => [...film.children].map((item) => ({
      item, frame: Number(item.dataset.frame), call: item.dataset.call, kind: item.className.split(' ')[0],
    })));
    this.film = 0;
    this.place = 0;
    this.held = null;
    this.difference = false;
    this.detail = false;
    this.onFrame = () => {};
    this.select = byId('stretch');
    document.querySelectorAll('.film').forEach((film, number) => this.select.add(new Option(film.dataset.title, number)));
    this.select.addEventListener('change', () => { this.film = Number(this.select.value); this.place = 0; this.show(); });
    for (const button of this.stage.querySelectorAll('[data-step]')) button.addEventListener('click', () => this.act(button.dataset.step));
    this.stage.addEventListener('keydown', (event) => {
      if (event.target === this.select || event.ctrlKey || event.metaKey || event.altKey) return;
      const action = { ArrowLeft: 'back', ArrowRight: 'forward', h: 'hold', H: 'hold', d: 'difference', D: 'difference', p: 'detail', P: 'detail' }[event.key];
      if (!action) return;
      event.preventDefault();
      this.act(action);
    });
    for (const [number, film] of this.films.entries()) {
      for (const [place, shown] of film.entries()) shown.item.addEventListener('click', () => { this.film = number; this.place = place; this.show(); });
    }
    this.show();
  }

  now() { return this.films[this.film][this.place]; }

  act(step) {
    const last = this.films[this.film].length - 1;
    if (step === 'back') this.place = Math.max(0, this.place - 1);
    if (step === 'forward') this.place = Math.min(last, this.place + 1);
    if (step === 'hold') this.held = this.held ? null : this.now();
    if (step === 'difference') [this.difference, this.detail] = [!this.difference, false];
    if (step === 'detail') [this.detail, this.difference] = [!this.detail, false];
    this.show();
    if (step === 'back' || step === 'forward') this.onFrame(this.now().frame);
  }

  // Steps to a frame if it is among the pictures.
  go(frame) {
    const here = this.films[this.film].findIndex((shown) => shown.frame === frame);
    const film = here >= 0 ? this.film : this.films.findIndex((shown) => shown.some((one) => one.frame === frame));
    if (film < 0) return false;
    this.film = film;
    this.place = this.films[film].findIndex((shown) => shown.frame === frame);
    this.show();
    return true;
  }

  image(shown, name) {
    let owner = byId(`picture-${shown.frame}`);
    const own = owner && owner.querySelector(`img.${name}`);
    // What is the same to the last bit is shown by the picture that it repeats; that it differs in nothing, by none.
    for (let frame = shown.frame; owner && owner.querySelector('.same') && name !== 'difference'; owner = byId(`picture-${frame}`)) frame--;
    return own || (owner && owner.querySelector(`img.${name}`));
  }

  show() {
    const now = this.now(), held = byId('held');
    this.select.value = this.film;
    for (const [step, on] of [['hold', this.held], ['difference', this.difference], ['detail', this.detail]]) {
      this.stage.querySelector(`[data-step=${step}]`).setAttribute('aria-pressed', String(Boolean(on)));
    }
    this.stage.querySelector('[data-step=detail]').hidden = !document.querySelector('img.detail');
    held.hidden = !this.held;
    const view = (shown) => (this.detail && this.image(shown, 'detail') ? 'detail' : 'picture');
    if (this.held) this.fill(held, this.held, view(this.held), `Held: ${this.held.call}.`);
    const current = byId('current');
    if (this.difference && this.held) this.fillDifference(current, now);
    else if (this.difference) {
      const none = !this.image(now, 'difference');
      const same = now.item.querySelector('.same') ? 'Nothing changed since the frame before: it is the same to the last bit.' : '';
      const what = same ? same : none ? 'The frame before was not read.' : `What changed since frame ${now.frame - 1}.`;
      this.fill(current, now, none ? 'picture' : 'difference', `${what} ${sentence(now.call)}`);
    } else {
      const none = this.detail && !this.image(now, 'detail');
      this.fill(current, now, view(now), `${none ? 'No part of this frame was kept. ' : ''}${sentence(now.call)}`);
    }
    for (const [number, film] of this.films.entries()) {
      film[0].item.closest('.reel').classList.toggle('shown', number === this.film);
      for (const shown of film) shown.item.classList.toggle('at', shown === now);
    }
    // The row shows the frame that the stage shows.
    const box = now.item.closest('.scroll');
    box.scrollLeft = now.item.offsetLeft - (box.clientWidth - now.item.offsetWidth) / 2;
  }

  fill(figure, shown, name, words) {
    const source = this.image(shown, name), picture = this.image(shown, 'picture'), screen = figure.querySelector('.screen');
    const image = screen.querySelector('img') || new Image();
    image.alt = source.alt;
    image.width = picture.width;
    image.height = picture.height;
    if (image.src !== source.src) image.src = source.src;
    screen.classList.toggle('difference', name === 'difference');
    screen.classList.toggle('detail', name === 'detail');
    screen.replaceChildren(image);
    this.label(figure, shown, words);
  }

  label(figure, shown, words) {
    const caption = figure.querySelector('figcaption');
    caption.className = shown.kind;
    caption.textContent = words;
  }

  // Two held frames against each other, from the scaled pictures.
  async fillDifference(figure, now) {
    const held = this.held, pair = [this.image(held, 'picture'), this.image(now, 'picture')];
    this.label(figure, now, `What differs between frames ${held.frame} and ${now.frame}, from the scaled pictures. ${sentence(now.call)}`);
    await Promise.all(pair.map((image) => image.decode()));
    if (this.held !== held || this.now() !== now || !this.difference) return;
    const width = pair[0].naturalWidth, height = pair[0].naturalHeight;
    const [one, other] = pair.map((image) => {
      const sheet = new OffscreenCanvas(width, height).getContext('2d');
      sheet.drawImage(image, 0, 0);
      return sheet.getImageData(0, 0, width, height).data;
    });
    const canvas = document.createElement('canvas');
    canvas.width = width;
    canvas.height = height;
    canvas.setAttribute('role', 'img');
    canvas.setAttribute('aria-label', `Difference between frames ${held.frame} and ${now.frame}`);
    const out = new ImageData(width, height);
    for (let i = 0; i < one.length; i += 4) {
      const most = Math.max(Math.abs(one[i] - other[i]), Math.abs(one[i + 1] - other[i + 1]), Math.abs(one[i + 2] - other[i + 2]));
      const shade = most ? 255 - Math.min(255, Math.max(48, most * 12)) : 255;
      out.data[i] = out.data[i + 1] = out.data[i + 2] = shade;
      out.data[i + 3] = 255;
    }
    canvas.getContext('2d').putImageData(out, 0, 0);
    figure.querySelector('.screen').classList.add('difference');
    figure.querySelector('.screen').replaceChildren(canvas);
  }
}

const sentence = (words) => `${words.charAt(0).toUpperCase()}${words.slice(1)}.`;

// ---------------------------------------------------------------- start

function save(id) {
  const link = document.createElement('a');
  link.href = URL.createObjectURL(new Blob([byId(id).textContent], { type: 'application/json' }));
  link.download = 'audit.json';
  link.click();
  URL.revokeObjectURL(link.href);
}

function bringIntoView(element) {
  element.scrollIntoView({ block: 'center' });
  element.focus({ preventScroll: true });
}

async function start() {
  const facts = JSON.parse(byId('facts').textContent);
  const stage = byId('stage') ? (byId('stage').hidden = false, new Stage()) : null;
  let timeline = null;
  if (facts.frames > 0 && window.DecompressionStream) {
    const data = await frameData(facts);
    byId('live-timeline').hidden = false;
    document.documentElement.classList.add('scripted');
    timeline = new Timeline(facts, data);
    timeline.setView(facts.from_s, facts.to_s - facts.from_s);
    const at = facts.at_frame;
    const inside = timeline.time(at) >= timeline.from && timeline.time(at) <= timeline.from + timeline.span;
    timeline.setCursor(inside ? at : timeline.frameAt(facts.from_s));
  }
  if (timeline && stage) {
    stage.go(timeline.cursor);
    timeline.onCursor = (frame) => stage.go(frame);
    stage.onFrame = (frame) => { if (timeline.cursor !== frame) timeline.setCursor(frame); };
  }
  for (const button of document.querySelectorAll('[data-first]')) {
    button.addEventListener('click', () => {
      timeline.show(Number(button.dataset.first), Number(button.dataset.last));
      bringIntoView(byId('slider'));
    });
  }
  for (const button of document.querySelectorAll('[data-picture]')) {
    button.addEventListener('click', () => {
      const frame = Number(button.dataset.picture);
      stage.film = Number(button.dataset.film);
      stage.go(frame);
      if (timeline) timeline.setCursor(frame);
      bringIntoView(byId('stage'));
    });
  }
  // Each picture stands in the page once: the table borrows it.
  for (const link of document.querySelectorAll('[data-thumb]')) {
    const picture = stage && stage.image({ frame: Number(link.dataset.thumb) }, 'picture');
    if (!picture) continue;
    const image = new Image(96, Math.round(96 * picture.height / picture.width));
    image.src = picture.src;
    image.alt = '';
    link.prepend(image);
    link.addEventListener('click', (event) => {
      event.preventDefault();
      stage.go(Number(link.dataset.thumb));
      if (timeline) timeline.setCursor(Number(link.dataset.thumb));
      bringIntoView(byId('stage'));
    });
  }
  addEventListener('beforeprint', () => { for (const one of document.querySelectorAll('details')) one.open = true; });
  byId('save').hidden = false;
  for (const button of document.querySelectorAll('[data-save]')) button.addEventListener('click', () => save(button.dataset.save));
  requestAnimationFrame(() => requestAnimationFrame(() => performance.mark('evenbeat-ready')));
}

start();
