// Copyright 2026 The robot_mapping_qa authors
// SPDX-License-Identifier: Apache-2.0
// The path from above: x to the right, y up (REP 103), coloured and hatched by trust.

const INK = '#0b0f14', GRID = '#dfe3e8', TRUSTED = '#0072b2', HELD = '#e69f00', ROBOT = '#7a00b8';
const EDGE_PX = 46, SMALLEST_M = 4, NEAREST_PX_PER_M = 400, FARTHEST_PX_PER_M = 0.02;

export class Plan {
  constructor(canvas, modeChanged) {
    this.canvas = canvas;
    this.modeChanged = modeChanged;
    this.pieces = new Map();
    this.places = [];
    this.pose = null;
    this.chosen = null;
    this.mode = 'all';
    this.middle = [0, 0];
    this.scale = 40;
    this.pointers = new Map();
    this.drawing = false;
    new ResizeObserver(() => this.redraw()).observe(canvas);
    this.listen();
  }

  setPiece(number, points) {
    if (points.length) this.pieces.set(number, points);
    else this.pieces.delete(number);
    this.redraw();
  }

  setPlaces(places) {
    this.places = places;
    this.redraw();
  }

  setPose(pose) {
    this.pose = pose;
    this.redraw();
  }

  clear() {
    this.pieces.clear();
    this.places = [];
    this.pose = null;
    this.redraw();
  }

  setMode(mode) {
    this.mode = mode;
    this.modeChanged(mode);
    this.redraw();
  }

  goTo(place) {
    this.chosen = place.number;
    this.middle = [place.x, place.y];
    this.scale = Math.max(this.scale, 20);
    this.setMode('free');
  }

  zoom(factor, x = this.canvas.clientWidth / 2, y = this.canvas.clientHeight / 2) {
    const before = this.place(x, y);
    this.scale = Math.min(NEAREST_PX_PER_M, Math.max(FARTHEST_PX_PER_M, this.scale * factor));
    const after = this.place(x, y);
    this.middle = [this.middle[0] + before[0] - after[0], this.middle[1] + before[1] - after[1]];
    this.setMode(this.mode === 'follow' ? 'follow' : 'free');
  }

  move(dx, dy) {
    this.middle = [this.middle[0] - dx / this.scale, this.middle[1] + dy / this.scale];
    this.setMode('free');
  }

  place(x, y) {
    return [this.middle[0] + (x - this.canvas.clientWidth / 2) / this.scale,
      this.middle[1] - (y - this.canvas.clientHeight / 2) / this.scale];
  }

  pixel(x, y) {
    return [this.canvas.clientWidth / 2 + (x - this.middle[0]) * this.scale,
      this.canvas.clientHeight / 2 - (y - this.middle[1]) * this.scale];
  }

  listen() {
    const canvas = this.canvas;
    canvas.addEventListener('pointerdown', (event) => {
      canvas.setPointerCapture(event.pointerId);
      this.pointers.set(event.pointerId, [event.offsetX, event.offsetY]);
    });
    canvas.addEventListener('pointermove', (event) => this.drag(event));
    for (const end of ['pointerup', 'pointercancel']) {
      canvas.addEventListener(end, (event) => this.pointers.delete(event.pointerId));
    }
    canvas.addEventListener('wheel', (event) => {
      event.preventDefault();
      this.zoom(Math.exp(-event.deltaY * 0.0015), event.offsetX, event.offsetY);
    }, { passive: false });
    canvas.addEventListener('keydown', (event) => {
      const action = {
        '+': () => this.zoom(1.4), '=': () => this.zoom(1.4), '-': () => this.zoom(1 / 1.4),
        '0': () => this.setMode('all'), ArrowLeft: () => this.move(60, 0),
        ArrowRight: () => this.move(-60, 0), ArrowUp: () => this.move(0, 60),
        ArrowDown: () => this.move(0, -60),
      }[event.key];
      if (action) {
        event.preventDefault();
        action();
      }
    });
  }

  drag(event) {
    const last = this.pointers.get(event.pointerId);
    if (!last) return;
    const now = [event.offsetX, event.offsetY];
    if (this.pointers.size === 1) {
      this.move(now[0] - last[0], now[1] - last[1]);
    } else {
      // The finger that stays is the fixed point.
      const other = [...this.pointers].find(([id]) => id !== event.pointerId)[1];
      const before = Math.hypot(last[0] - other[0], last[1] - other[1]);
      const after = Math.hypot(now[0] - other[0], now[1] - other[1]);
      if (before > 1) this.zoom(after / before, ...other);
    }
    this.pointers.set(event.pointerId, now);
  }

  redraw() {
    if (this.drawing) return;
    this.drawing = true;
    requestAnimationFrame(() => {
      this.drawing = false;
      this.draw();
    });
  }

  aim() {
    if (this.mode === 'follow' && this.pose) this.middle = [this.pose.x, this.pose.y];
    if (this.mode !== 'all') return;
    let [left, right, low, high] = [Infinity, -Infinity, Infinity, -Infinity];
    const take = (x, y) => {
      left = Math.min(left, x);
      right = Math.max(right, x);
      low = Math.min(low, y);
      high = Math.max(high, y);
    };
    for (const points of this.pieces.values()) {
      for (let i = 0; i < points.length; i += 3) take(points[i] / 100, points[i + 1] / 100);
    }
    for (const place of this.places) take(place.x, place.y);
    if (this.pose) take(this.pose.x, this.pose.y);
    if (left > right) return;
    this.middle = [(left + right) / 2, (low + high) / 2];
    this.scale = Math.min(
      (this.canvas.clientWidth - 2 * EDGE_PX) / Math.max(right - left, SMALLEST_M),
      (this.canvas.clientHeight - 2 * EDGE_PX) / Math.max(high - low, SMALLEST_M));
  }

  draw() {
    const { canvas } = this;
    const [width, height, ratio] = [canvas.clientWidth, canvas.clientHeight, devicePixelRatio];
    if (!width || !height) return;
    if (canvas.width !== Math.round(width * ratio) || canvas.height !== Math.round(height * ratio)) {
      canvas.width = Math.round(width * ratio);
      canvas.height = Math.round(height * ratio);
    }
    const pen = canvas.getContext('2d');
    pen.setTransform(ratio, 0, 0, ratio, 0, 0);
    pen.clearRect(0, 0, width, height);
    this.aim();
    this.drawGrid(pen, width, height);
    this.drawPath(pen);
    for (const place of this.places) this.drawPlace(pen, place);
    if (this.pose) this.drawRobot(pen);
  }

  drawGrid(pen, width, height) {
    const step = roundLength(90 / this.scale);
    const [left, top] = this.place(0, 0);
    const [right, bottom] = this.place(width, height);
    pen.lineWidth = 1;
    pen.strokeStyle = GRID;
    pen.beginPath();
    for (let x = Math.ceil(left / step) * step; x <= right; x += step) {
      const [px] = this.pixel(x, 0);
      pen.moveTo(px, 0);
      pen.lineTo(px, height);
    }
    for (let y = Math.ceil(bottom / step) * step; y <= top; y += step) {
      const [, py] = this.pixel(0, y);
      pen.moveTo(0, py);
      pen.lineTo(width, py);
    }
    pen.stroke();
    const long = step * this.scale;
    pen.strokeStyle = pen.fillStyle = INK;
    pen.lineWidth = 3;
    pen.beginPath();
    pen.moveTo(16, height - 22);
    pen.lineTo(16, height - 16);
    pen.lineTo(16 + long, height - 16);
    pen.lineTo(16 + long, height - 22);
    pen.stroke();
    pen.font = '600 15px system-ui, sans-serif';
    pen.textAlign = 'left';
    pen.textBaseline = 'bottom';
    pen.fillText(`${step >= 1 ? step : step.toFixed(1)} m`, 22, height - 18);
  }

  drawPath(pen) {
    const open = new Path2D(), held = new Path2D();
    for (const points of this.pieces.values()) {
      let last = null;
      for (let i = 0; i + 5 < points.length; i += 3) {
        const path = points[i + 2] && points[i + 5] ? open : held;
        if (path !== last) path.moveTo(...this.pixel(points[i] / 100, points[i + 1] / 100));
        path.lineTo(...this.pixel(points[i + 3] / 100, points[i + 4] / 100));
        last = path;
      }
    }
    pen.lineJoin = pen.lineCap = 'round';
    pen.strokeStyle = TRUSTED;
    pen.lineWidth = 4;
    pen.stroke(open);
    pen.strokeStyle = INK;
    pen.lineWidth = 9;
    pen.stroke(held);
    pen.strokeStyle = HELD;
    pen.lineWidth = 6;
    pen.lineCap = 'butt';
    pen.setLineDash([9, 4]);
    pen.stroke(held);
    pen.setLineDash([]);
  }

  drawPlace(pen, place) {
    const [x, y] = this.pixel(place.x, place.y);
    pen.beginPath();
    pen.arc(x, y, place.number === this.chosen ? 18 : 13, 0, 2 * Math.PI);
    pen.fillStyle = INK;
    pen.fill();
    pen.lineWidth = 2;
    pen.strokeStyle = '#fff';
    pen.stroke();
    pen.fillStyle = '#fff';
    pen.font = '700 15px system-ui, sans-serif';
    pen.textAlign = 'center';
    pen.textBaseline = 'middle';
    pen.fillText(String(place.number), x, y + 1);
  }

  drawRobot(pen) {
    const [x, y] = this.pixel(this.pose.x, this.pose.y);
    pen.save();
    pen.translate(x, y);
    pen.rotate(-this.pose.yaw);
    pen.beginPath();
    pen.moveTo(20, 0);
    pen.lineTo(-13, 13);
    pen.lineTo(-6, 0);
    pen.lineTo(-13, -13);
    pen.closePath();
    pen.lineJoin = 'round';
    pen.lineWidth = 3;
    // An outline alone: it was there when it was last heard of.
    const old = this.pose.age_s > 1;
    pen.strokeStyle = old ? ROBOT : '#fff';
    pen.fillStyle = old ? '#fff' : ROBOT;
    pen.fill();
    pen.stroke();
    pen.restore();
  }
}

// The largest of 1, 2, 5 times a power of ten that is not above a length.
function roundLength(metres) {
  const power = 10 ** Math.floor(Math.log10(metres));
  return [5, 2, 1].find((digit) => digit * power <= metres) * power;
}
