// A list of places to go to, each marked with one tap; a tap stays in the browser until it is saved.
// Every text that comes in goes into the page by textContent, never as markup.

const KEEP = "wallfoot-taps:";
const GOES_AFTER = 4000;
const AGAIN_AFTER = 15000;

export default function (component) {
  const { data, parentElement, setStateValue } = component;
  let list = parentElement.wallfootRows;
  if (!list || list.name !== data.name) {
    list = parentElement.wallfootRows = new Rows(parentElement, data);
  }
  list.send = (name, value) => setStateValue(name, value);
  list.take(data);
}

class Rows {
  constructor(parent, data) {
    this.name = data.name;
    this.taps = [];
    this.seq = 0;
    this.asked = 0;
    this.tries = 0;
    this.first = true;
    this.only = false;
    this.fresh = new Map();
    this.opened = new Set();
    this.lines = new Map();
    const root = parent.querySelector(".wf-rows") || parent;
    root.replaceChildren();
    this.frame = add(root, "div", "frame");
    this.bar = add(this.frame, "div", "bar");
    this.words = add(this.bar, "span", "words");
    this.all = this.button(this.bar, "", () => this.filter(false));
    this.todo = this.button(this.bar, "", () => this.filter(true));
    this.next = this.button(this.bar, "Next one", () => this.toNext());
    this.said = add(this.bar, "p", "said");
    this.said.setAttribute("role", "status");
    this.body = add(this.frame, "div", "body");
  }

  // ---- what Python says -------------------------------------------------------------------------
  take(data) {
    this.data = data;
    this.acked = data.acked;
    this.seq = Math.max(this.seq, data.acked);
    this.taps = this.taps.filter((tap) => tap.seq > data.acked);
    if (this.first) {
      this.first = false;
      const before = data.readonly ? [] : this.kept();
      if (before.length) {
        before.forEach((tap) => { this.seq += 1; tap.seq = this.seq; this.taps.push(tap); });
        this.sendTaps();
      }
    }
    this.frame.style.setProperty("--wf-acts", data.filtered && !data.readonly ? "270px" : "auto");
    const made = data.version;
    if (made !== this.made) { this.made = made; this.build(); }
    this.keep();
    this.fill();
    clearTimeout(this.timer);
    if (this.taps.length) { this.timer = setTimeout(() => this.sendTaps(), AGAIN_AFTER); }
  }

  // ---- drawing ------------------------------------------------------------------------------------
  build() {
    const place = this.frame.scrollTop;
    this.lines = new Map();
    const all = document.createDocumentFragment();
    let part = null;
    this.parts = [];
    for (const row of this.data.rows) {
      if (row.part !== part) {
        part = row.part;
        const head = add(all, "h3");
        head.textContent = part;
        head.hidden = !part;
        this.parts.push([head, []]);
      }
      const line = this.newLine(row);
      this.parts[this.parts.length - 1][1].push(line);
      all.appendChild(line.root);
    }
    this.body.replaceChildren(all);
    this.frame.scrollTop = place;
  }

  newLine(row) {
    const root = document.createElement("div");
    root.className = "row";
    root.dataset.id = row.id;
    const line = { row, root, marks: new Map() };
    add(root, "span", "number").textContent = row.number ? String(row.number) : "";
    const open = line.open = add(root, "button", "open");
    open.type = "button";
    for (const name of ["title", "where", "text", "note"]) {
      if (row[name]) { add(open, "span", name).textContent = row[name]; }
    }
    line.dropped = add(open, "span", "note");
    if (row.folds.length) {
      open.setAttribute("aria-expanded", "false");
      open.addEventListener("click", () => this.unfold(line));
    } else {
      open.classList.add("flat");
      open.tabIndex = -1;
    }
    add(root, "span", "minutes").textContent = row.minutes ? row.minutes + " min" : "";
    const acts = add(root, "div", "acts");
    if (row.marked && !this.data.readonly) {
      for (const [state, label] of this.data.states) {
        const button = this.button(acts, label, () => this.tap(line, state));
        button.dataset.state = state;
        button.setAttribute("aria-label", label + ": " + row.title);
        line.marks.set(state, button);
      }
    }
    if (row.go) {
      const button = this.button(acts, row.go, () => {
        this.asked += 1;
        this.send("asked", { seq: this.asked, id: row.id, at: Date.now() });
      });
      button.setAttribute("aria-label", row.go + ": " + row.title);
    }
    line.when = add(acts, "span", "when");
    this.lines.set(row.id, line);
    if (this.opened.has(row.id)) { this.unfold(line, true); }
    return line;
  }

  unfold(line, stay) {
    const open = line.open.getAttribute("aria-expanded") !== "true";
    line.open.setAttribute("aria-expanded", open ? "true" : "false");
    if (!line.fold) {
      line.fold = add(line.root, "div", "fold");
      line.row.folds.forEach(([head, lines], i) => {
        add(line.fold, "b").textContent = head;
        const group = add(line.fold, "div", line.row.short.includes(i) ? "words" : "");
        for (const text of lines) { add(group, "span").textContent = text; }
      });
    }
    line.fold.hidden = !open;
    if (!stay) { if (open) { this.opened.add(line.row.id); } else { this.opened.delete(line.row.id); } }
  }

  state(id) {
    for (let i = this.taps.length - 1; i >= 0; i -= 1) {
      if (this.taps[i].stop === id) { return this.taps[i].state; }
    }
    const mark = this.data.marks[id];
    return mark ? mark.state : "";
  }

  fill() {
    const waiting = new Set(this.taps.map((tap) => tap.stop));
    const dropped = new Set(this.data.dropped);
    const now = Date.now();
    let left = 0, hidden = 0;
    for (const line of this.lines.values()) {
      const id = line.row.id, state = this.state(id);
      const shown = state || (line.row.settled ? "settled" : "");
      if (line.root.dataset.state !== shown) { line.root.dataset.state = shown; }
      for (const [key, button] of line.marks) { pressed(button, key === state); }
      const mark = this.data.marks[id];
      let when = waiting.has(id) ? "not saved yet" : mark ? (this.data.readonly ? mark.label + " " : "") + mark.when : "";
      if (!when && line.row.settled) { when = line.row.settled; }
      if (line.when.textContent !== when) { line.when.textContent = when; }
      const out = dropped.has(id) && !shown ? "left out to be in time" : "";
      if (line.dropped.textContent !== out) { line.dropped.textContent = out; }
      if (!shown) { left += 1; }
      const hide = this.only && Boolean(shown) && (this.fresh.get(id) || 0) < now;
      line.root.hidden = hide;
      if (hide) { hidden += 1; }
    }
    for (const [head, lines] of this.parts) {
      head.hidden = !head.textContent || lines.every((line) => line.root.hidden);
    }
    this.words.textContent = this.data.bar;
    const can = this.data.filtered;
    this.all.hidden = this.todo.hidden = this.next.hidden = !can;
    this.all.textContent = "All " + this.lines.size;
    this.todo.textContent = "Still to do " + left + (hidden ? " (hides " + hidden + ")" : "");
    pressed(this.all, !this.only);
    pressed(this.todo, this.only);
    this.next.disabled = !left;
    const told = this.data.told;
    this.said.textContent = told + (told && waiting.size ? " " : "")
      + (waiting.size && told ? waiting.size + " kept here; they are sent again by themselves." : "");
  }

  // ---- what the person does -------------------------------------------------------------------------
  tap(line, state) {
    const id = line.row.id;
    this.seq += 1;
    this.taps.push({ seq: this.seq, stop: id, state: this.state(id) === state ? "" : state, made: Date.now() });
    this.fresh.set(id, Date.now() + GOES_AFTER);
    clearTimeout(this.going);
    this.going = setTimeout(() => this.fill(), GOES_AFTER + 100);
    this.keep();
    this.fill();
    this.sendTaps();
  }

  sendTaps() {
    const now = Date.now();
    this.tries += 1;
    this.send("taps", {
      tries: this.tries,
      at: now,
      taps: this.taps.map((tap) => ({ seq: tap.seq, stop: tap.stop, state: tap.state, ago_ms: now - tap.made })),
    });
    clearTimeout(this.timer);
    this.timer = setTimeout(() => { if (this.taps.length) { this.sendTaps(); } }, AGAIN_AFTER);
  }

  filter(only) { this.only = only; this.fresh.clear(); this.fill(); }

  toNext() {
    for (const line of this.lines.values()) {
      if (!line.root.dataset.state) {
        this.frame.scrollTop += line.root.getBoundingClientRect().top
          - this.frame.getBoundingClientRect().top - this.bar.offsetHeight - 8;
        line.open.focus({ preventScroll: true });
        return;
      }
    }
  }

  // ---- what is kept in the browser until it is saved --------------------------------------------------
  keep() {
    try {
      if (this.taps.length) { localStorage.setItem(KEEP + this.name, JSON.stringify(this.taps)); }
      else { localStorage.removeItem(KEEP + this.name); }
    } catch (error) {
      this.said.textContent = "This browser keeps nothing: a mark is safe only once its time stands beside it.";
    }
  }

  kept() {
    try { return JSON.parse(localStorage.getItem(KEEP + this.name) || "[]"); } catch (error) { return []; }
  }

  button(parent, label, act) {
    const made = add(parent, "button");
    made.type = "button";
    made.textContent = label;
    made.addEventListener("click", act);
    return made;
  }
}

function pressed(button, is) {
  const said = is ? "true" : "false";
  if (button.getAttribute("aria-pressed") !== said) { button.setAttribute("aria-pressed", said); }
}

function add(parent, kind, name) {
  const made = document.createElement(kind);
  if (name) { made.className = name; }
  parent.appendChild(made);
  return made;
}
