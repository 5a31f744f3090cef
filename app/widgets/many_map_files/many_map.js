// Many homes on one canvas. Far away they are counted by squares, near they stand each by itself; the step is
// told by hue, by shape and by number. Every text goes in by textContent or onto the canvas, never as markup.

const SQUARE = 34;         // pixels of a square of the far view
const NEAR = 700;          // so many in view stand each by itself
const LEAST = 0.002, MOST = 60;  // pixels a metre
const REACH = 14;          // pixels from a point that a touch may miss it by

export default function (component) {
  const { data, parentElement, setTriggerValue } = component;
  let map = parentElement.wallfootMany;
  if (!map || map.name !== data.name) {
    if (map) { map.stop(); }
    map = parentElement.wallfootMany = new Many(parentElement, data);
  }
  map.open = (id) => setTriggerValue("opened", id);
  map.take(data);
}

class Many {
  constructor(parent, data) {
    this.name = data.name;
    const root = parent.querySelector(".wf-many") || parent;
    root.replaceChildren();
    this.frame = add(root, "div", "frame");
    this.canvas = add(this.frame, "canvas");
    this.canvas.tabIndex = 0;
    this.canvas.setAttribute("role", "application");
    this.context = this.canvas.getContext("2d");
    const tools = add(this.frame, "div", "tools");
    this.button(tools, "+", "Nearer", () => this.zoom(1.8));
    this.button(tools, "−", "Farther", () => this.zoom(1 / 1.8));
    this.button(tools, "All", "All homes", () => this.whole(), "word");
    this.tip = add(this.frame, "div", "tip");
    this.legend = add(root, "div", "legend");
    this.told = add(root, "p", "told");
    this.fingers = new Map();
    this.listen();
    this.seen = new ResizeObserver(() => this.resize());
    this.seen.observe(this.frame);
  }

  stop() { this.seen.disconnect(); cancelAnimationFrame(this.asked); this.gone = true; }

  button(place, sign, name, act, kind) {
    const made = add(place, "button", kind);
    made.type = "button";
    made.textContent = sign;
    made.title = name;
    made.setAttribute("aria-label", name);
    made.addEventListener("click", act);
  }

  // ---- what Python says -------------------------------------------------------------------------
  take(data) {
    this.frame.style.height = `${data.height}px`;
    this.hues = data.hues;
    this.marked = data.marked;
    this.told.textContent = data.told;
    const fresh = data.version !== this.version;
    if (fresh) {
      this.version = data.version;
      const points = data.points;
      this.ids = points.ids ? points.ids.split("\n") : [];
      this.x = new Float32Array(bytes(points.x));
      this.y = new Float32Array(bytes(points.y));
      this.step = new Uint8Array(bytes(points.step));
      this.place = new Uint16Array(bytes(points.place));
      this.places = points.places;
      this.middles();
      this.title = data.title;
      this.words = data.legend;
      this.explain();
      this.canvas.setAttribute("aria-label",
        `Map of ${this.ids.length} homes by ${data.title}. Arrows move it, plus and minus change its scale.`);
      this.fitted = false;
    }
    this.resize();
  }

  middles() {
    const sum = this.places.map(() => [0, 0, 0, -Infinity]);
    for (let i = 0; i < this.x.length; i += 1) {
      const own = sum[this.place[i]];
      own[0] += this.x[i]; own[1] += this.y[i]; own[2] += 1;
      own[3] = Math.max(own[3], this.y[i]);
    }
    this.names = sum.map((own, at) => ({ x: own[0] / own[2], y: own[3], count: own[2],
      name: this.places[at] })).filter((one) => one.count && one.name);
  }

  explain() {
    this.legend.replaceChildren();
    add(this.legend, "b").textContent = this.title;
    for (let step = this.words.length - 1; step >= 0; step -= 1) {
      if (!this.words[step]) { continue; }
      const line = add(this.legend, "div");
      const sign = add(line, "canvas");
      sign.width = sign.height = 40;
      const pen = sign.getContext("2d");
      pen.scale(2, 2);
      this.sign(pen, 10, 10, 8, step);
      add(line, "span").textContent = this.words[step];
    }
    this.small = add(this.legend, "small");
  }

  // ---- view -------------------------------------------------------------------------------------
  resize() {
    const wide = this.frame.clientWidth, tall = this.frame.clientHeight;
    if (!wide || !tall) { return; }
    const dense = window.devicePixelRatio || 1;
    if (this.wide !== wide || this.tall !== tall || this.dense !== dense) {
      this.wide = wide; this.tall = tall; this.dense = dense;
      this.canvas.width = Math.round(wide * dense);
      this.canvas.height = Math.round(tall * dense);
    }
    if (!this.fitted && this.x) {
      this.fitted = true;
      const at = this.marked ? this.ids.indexOf(this.marked) : -1;
      this.whole();
      if (at >= 0) { this.cx = this.x[at]; this.cy = this.y[at]; this.scale = Math.max(this.scale, 2.2); }
    }
    this.draw();
  }

  whole() {
    let west = Infinity, east = -Infinity, south = Infinity, north = -Infinity;
    for (let i = 0; i < this.x.length; i += 1) {
      west = Math.min(west, this.x[i]); east = Math.max(east, this.x[i]);
      south = Math.min(south, this.y[i]); north = Math.max(north, this.y[i]);
    }
    if (west > east) { west = south = -50; east = north = 50; }
    this.cx = (west + east) / 2;
    this.cy = (south + north) / 2;
    const room = (pixels, metres) => Math.max(60, pixels - (pixels === this.wide ? 210 : 110)) / Math.max(20, metres);
    this.scale = clamp(Math.min(room(this.wide, east - west), room(this.tall, north - south)), LEAST, MOST);
    this.draw();
  }

  zoom(by, px = this.wide / 2, py = this.tall / 2) {
    const x = this.cx + (px - this.wide / 2) / this.scale, y = this.cy - (py - this.tall / 2) / this.scale;
    this.scale = clamp(this.scale * by, LEAST, MOST);
    this.cx = x - (px - this.wide / 2) / this.scale;
    this.cy = y + (py - this.tall / 2) / this.scale;
    this.draw();
  }

  draw() {
    if (this.asked) { return; }
    this.asked = requestAnimationFrame(() => { this.asked = 0; if (!this.gone && this.x) { this.paint(); } });
  }

  paint() {
    const began = performance.now();
    const pen = this.context;
    pen.setTransform(this.dense, 0, 0, this.dense, 0, 0);
    pen.clearRect(0, 0, this.wide, this.tall);
    this.ruled(pen);
    const margin = SQUARE, half = [this.wide / 2, this.tall / 2];
    const sx = new Float32Array(this.x.length), sy = new Float32Array(this.x.length);
    const inside = [];
    for (let i = 0; i < this.x.length; i += 1) {
      const x = half[0] + (this.x[i] - this.cx) * this.scale;
      const y = half[1] - (this.y[i] - this.cy) * this.scale;
      sx[i] = x; sy[i] = y;
      if (x > -margin && y > -margin && x < this.wide + margin && y < this.tall + margin) { inside.push(i); }
    }
    this.sx = sx; this.sy = sy; this.inside = inside;
    this.near = inside.length <= NEAR && !this.crowded(inside);
    if (this.near) { this.each(pen); } else { this.squares(pen); }
    this.named(pen);
    this.bar(pen);
    this.small.textContent = this.near
      ? "number and shape say the step again; touch a home to open it"
      : "squares: how many homes, in the shade of the highest step; corner: how many are in it";
    this.canvas.dataset.drawn = this.near ? "homes" : "squares";
    this.canvas.dataset.took = (performance.now() - began).toFixed(1);
    this.canvas.dataset.count = String(this.x.length);
  }

  crowded(inside) {
    // Say whether homes lie so close that their signs would hide each other.
    if (inside.length < 60) { return false; }
    const taken = new Set();
    let met = 0;
    for (const i of inside) {
      const at = Math.floor(this.sx[i] / 9) * 65536 + Math.floor(this.sy[i] / 9);
      if (taken.has(at)) { met += 1; } else { taken.add(at); }
    }
    return met > inside.length / 5;
  }

  ruled(pen) {
    const gap = nice(130 / this.scale);
    pen.strokeStyle = "#ebe8df";
    pen.lineWidth = 1;
    pen.beginPath();
    const west = this.cx - this.wide / 2 / this.scale, north = this.cy + this.tall / 2 / this.scale;
    for (let x = Math.ceil(west / gap) * gap; ; x += gap) {
      const px = Math.round((x - west) * this.scale) + 0.5;
      if (px > this.wide) { break; }
      pen.moveTo(px, 0); pen.lineTo(px, this.tall);
    }
    for (let y = Math.floor(north / gap) * gap; ; y -= gap) {
      const py = Math.round((north - y) * this.scale) + 0.5;
      if (py > this.tall) { break; }
      pen.moveTo(0, py); pen.lineTo(this.wide, py);
    }
    pen.stroke();
  }

  squares(pen) {
    // Squares stand on the ground, not on the screen, so that they do not flicker while it moves.
    const side = SQUARE / this.scale, found = new Map();
    for (const i of this.inside) {
      const across = Math.floor(this.x[i] / side), up = Math.floor(this.y[i] / side);
      const key = (across + 32768) * 65536 + up + 32768;
      let own = found.get(key);
      if (!own) { own = { across, up, count: 0, top: 0, tops: 0, first: i }; found.set(key, own); }
      own.count += 1;
      if (this.step[i] > own.top) { own.top = this.step[i]; own.tops = 0; }
      if (this.step[i] === own.top) { own.tops += 1; }
    }
    this.found = found;
    this.side = side;
    pen.textAlign = "center";
    pen.textBaseline = "middle";
    for (const own of found.values()) {
      const x = this.wide / 2 + (own.across * side - this.cx) * this.scale;
      const y = this.tall / 2 - ((own.up + 1) * side - this.cy) * this.scale;
      const hue = this.hues[own.top];
      pen.fillStyle = hue;
      pen.fillRect(x + 1, y + 1, SQUARE - 2, SQUARE - 2);
      pen.strokeStyle = "#5b6870";
      pen.lineWidth = own.top >= 5 ? 2 : 0.75;
      pen.strokeRect(x + 1.5, y + 1.5, SQUARE - 3, SQUARE - 3);
      pen.fillStyle = ink(hue);
      pen.font = "600 11.5px sans-serif";
      pen.fillText(short(own.count), x + SQUARE / 2, y + SQUARE / 2 + (own.top ? 3.5 : 0.5));
      if (own.top && own.count > 1) {
        pen.font = "8.5px sans-serif";
        pen.fillText(short(own.tops), x + SQUARE - 8, y + 8);
      }
    }
  }

  each(pen) {
    const size = clamp(this.scale * 3.2, this.inside.length < 120 ? 8.5 : 5.5, 11);
    const order = [...this.inside].sort((a, b) => this.step[a] - this.step[b]);
    for (const i of order) { this.sign(pen, this.sx[i], this.sy[i], size, this.step[i]); }
    if (this.inside.length < 70 && this.scale > 1.2) {
      pen.font = "11px sans-serif";
      pen.textAlign = "center";
      pen.textBaseline = "top";
      for (const i of this.inside) { this.word(pen, this.ids[i], this.sx[i], this.sy[i] + size + 3); }
    }
    const at = this.marked ? this.ids.indexOf(this.marked) : -1;
    if (at >= 0) {
      pen.strokeStyle = "#1f2a30";
      pen.lineWidth = 2.5;
      pen.beginPath();
      pen.arc(this.sx[at], this.sy[at], size + 6, 0, 7);
      pen.stroke();
    }
  }

  sign(pen, x, y, size, step) {
    // One shape a step: ring, dot, square, diamond, triangle, and a square on its corner with a heavy edge.
    const hue = this.hues[step];
    pen.fillStyle = step ? hue : "#fbfaf7";
    pen.strokeStyle = "#1f2a30";
    pen.lineWidth = step >= 5 ? 2 : 1;
    pen.beginPath();
    if (step === 0) { pen.arc(x, y, size * 0.62, 0, 7); }
    else if (step === 1) { pen.arc(x, y, size * 0.85, 0, 7); }
    else if (step === 2) { pen.rect(x - size * 0.8, y - size * 0.8, size * 1.6, size * 1.6); }
    else {
      const corners = { 3: 3, 4: 4, 5: 6 }[step], turn = -Math.PI / 2;
      for (let n = 0; n < corners; n += 1) {
        const angle = turn + (2 * Math.PI * n) / corners, r = size * (corners === 3 ? 1.2 : 1.1);
        pen[n ? "lineTo" : "moveTo"](x + r * Math.cos(angle), y + r * Math.sin(angle));
      }
      pen.closePath();
    }
    pen.fill();
    pen.stroke();
    if (step && size >= 7) {
      pen.fillStyle = ink(hue);
      pen.font = `600 ${Math.round(size * 1.15)}px sans-serif`;
      pen.textAlign = "center";
      pen.textBaseline = "middle";
      pen.fillText(String(step), x, y + (step === 3 ? size * 0.22 : 0.5));
    }
  }

  named(pen) {
    if (this.names.length > 400 && !this.near) { return; }
    const done = [];
    pen.font = "600 12.5px sans-serif";
    pen.textAlign = "center";
    pen.textBaseline = "bottom";
    for (const one of [...this.names].sort((a, b) => b.count - a.count)) {
      const x = this.wide / 2 + (one.x - this.cx) * this.scale;
      const y = this.tall / 2 - (one.y - this.cy) * this.scale - (this.near ? 17 : SQUARE + 3);
      const half = pen.measureText(one.name).width / 2 + 6;
      if (x < 0 || y < 14 || x > this.wide || y > this.tall) { continue; }
      if (done.some((box) => Math.abs(box.x - x) < box.half + half && Math.abs(box.y - y) < 18)) { continue; }
      done.push({ x, y, half });
      this.word(pen, one.name, x, y);
    }
  }

  word(pen, said, x, y) {
    pen.lineWidth = 4;
    pen.lineJoin = "round";
    pen.strokeStyle = "rgba(251, 250, 247, .92)";
    pen.strokeText(said, x, y);
    pen.fillStyle = "#1f2a30";
    pen.fillText(said, x, y);
  }

  bar(pen) {
    const metres = nice(110 / this.scale), long = metres * this.scale, y = this.tall - 18;
    pen.strokeStyle = pen.fillStyle = "#1f2a30";
    pen.lineWidth = 1.5;
    pen.beginPath();
    pen.moveTo(16, y - 5); pen.lineTo(16, y); pen.lineTo(16 + long, y); pen.lineTo(16 + long, y - 5);
    pen.stroke();
    pen.font = "11.5px sans-serif";
    pen.textAlign = "left";
    pen.textBaseline = "bottom";
    pen.fillText(metres >= 1000 ? `${metres / 1000} km` : `${metres} m`, 20, y - 3);
    pen.textAlign = "center";
    pen.fillText("N", this.wide - 22, 30);
    pen.beginPath();
    pen.moveTo(this.wide - 22, 52); pen.lineTo(this.wide - 22, 33);
    pen.moveTo(this.wide - 26, 39); pen.lineTo(this.wide - 22, 32); pen.lineTo(this.wide - 18, 39);
    pen.stroke();
  }

  // ---- hand -------------------------------------------------------------------------------------
  listen() {
    const canvas = this.canvas;
    canvas.addEventListener("wheel", (event) => {
      event.preventDefault();
      const at = this.where(event);
      this.zoom(Math.exp(-event.deltaY * (event.deltaMode ? 0.05 : 0.0016)), at.x, at.y);
    }, { passive: false });
    canvas.addEventListener("pointerdown", (event) => {
      canvas.setPointerCapture(event.pointerId);
      this.fingers.set(event.pointerId, this.where(event));
      this.moved = this.fingers.size > 1 ? 99 : 0;
    });
    canvas.addEventListener("pointermove", (event) => this.move(event));
    const up = (event) => {
      const was = this.fingers.delete(event.pointerId);
      canvas.classList.remove("moving");
      if (was && event.type === "pointerup" && !this.fingers.size && this.moved < 6) {
        this.touch(this.where(event));
      }
    };
    canvas.addEventListener("pointerup", up);
    canvas.addEventListener("pointercancel", up);
    canvas.addEventListener("pointerleave", () => { this.tip.style.display = "none"; });
    canvas.addEventListener("keydown", (event) => {
      const way = { ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, 1], ArrowDown: [0, -1] }[event.key];
      if (way) {
        this.cx += (way[0] * 80) / this.scale; this.cy += (way[1] * 80) / this.scale; this.draw();
      } else if (event.key === "+" || event.key === "=") { this.zoom(1.5); }
      else if (event.key === "-") { this.zoom(1 / 1.5); }
      else if (event.key === "0") { this.whole(); }
      else { return; }
      event.preventDefault();
    });
  }

  where(event) {
    const box = this.canvas.getBoundingClientRect();
    return { x: event.clientX - box.left, y: event.clientY - box.top };
  }

  move(event) {
    const at = this.where(event), before = this.fingers.get(event.pointerId);
    if (!before) { this.hover(at); return; }
    this.tip.style.display = "none";
    this.canvas.classList.add("moving");
    const others = [...this.fingers.entries()].filter(([id]) => id !== event.pointerId);
    if (others.length === 1) {
      const far = others[0][1];
      const was = Math.hypot(before.x - far.x, before.y - far.y), is = Math.hypot(at.x - far.x, at.y - far.y);
      if (was > 5) { this.zoom(is / was, (at.x + far.x) / 2, (at.y + far.y) / 2); }
    }
    const share = others.length ? 0.5 : 1;
    this.cx -= (share * (at.x - before.x)) / this.scale;
    this.cy += (share * (at.y - before.y)) / this.scale;
    this.moved += Math.hypot(at.x - before.x, at.y - before.y);
    this.fingers.set(event.pointerId, at);
    this.draw();
  }

  nearest(at) {
    let best = -1, least = REACH * REACH;
    for (const i of this.inside || []) {
      const away = (this.sx[i] - at.x) ** 2 + (this.sy[i] - at.y) ** 2;
      if (away < least) { least = away; best = i; }
    }
    return best;
  }

  squareAt(at) {
    const x = this.cx + (at.x - this.wide / 2) / this.scale, y = this.cy - (at.y - this.tall / 2) / this.scale;
    return this.found?.get((Math.floor(x / this.side) + 32768) * 65536 + Math.floor(y / this.side) + 32768);
  }

  hover(at) {
    if (!this.inside) { return; }
    const lines = [];
    if (this.near) {
      const i = this.nearest(at);
      if (i >= 0) { lines.push(this.ids[i], this.places[this.place[i]], this.words[this.step[i]]); }
    } else {
      const own = this.squareAt(at);
      if (own) {
        lines.push(own.count === 1 ? this.ids[own.first] : `${own.count} homes`);
        lines.push(this.places[this.place[own.first]]);
        lines.push(own.count === 1 ? this.words[own.top] : `${own.tops}: ${this.words[own.top]}`);
      }
    }
    this.canvas.classList.toggle("over", lines.length > 0);
    this.tip.style.display = lines.length ? "block" : "none";
    if (!lines.length) { return; }
    this.tip.replaceChildren();
    lines.filter(Boolean).forEach((line, n) => { add(this.tip, n ? "div" : "b").textContent = line; });
    this.tip.style.left = `${Math.min(at.x + 14, this.wide - this.tip.offsetWidth - 8)}px`;
    this.tip.style.top = `${Math.min(at.y + 14, this.tall - this.tip.offsetHeight - 8)}px`;
  }

  touch(at) {
    this.canvas.focus({ preventScroll: true });
    if (this.near) {
      const i = this.nearest(at);
      if (i >= 0) { this.open(this.ids[i]); }
      return;
    }
    const own = this.squareAt(at);
    if (!own) { return; }
    if (own.count === 1) { this.open(this.ids[own.first]); return; }
    this.zoom(2.6, at.x, at.y);
  }
}

function add(place, tag, kind) {
  const made = document.createElement(tag);
  if (kind) { made.className = kind; }
  place.appendChild(made);
  return made;
}

function bytes(text) {
  const raw = atob(text), found = new Uint8Array(raw.length);
  for (let i = 0; i < raw.length; i += 1) { found[i] = raw.charCodeAt(i); }
  return found.buffer;
}

function clamp(value, low, high) { return Math.max(low, Math.min(high, value)); }

function nice(value) {
  const power = 10 ** Math.floor(Math.log10(value));
  return power * [1, 2, 5, 10].find((step) => power * step >= value * 0.75);
}

function short(count) { return count < 1000 ? String(count) : `${(count / 1000).toFixed(count < 10000 ? 1 : 0)}k`; }

function ink(hue) {
  const [r, g, b] = [1, 3, 5].map((at) => parseInt(hue.slice(at, at + 2), 16));
  return 0.299 * r + 0.587 * g + 0.114 * b < 128 ? "#fbfaf7" : "#1f2a30";
}
