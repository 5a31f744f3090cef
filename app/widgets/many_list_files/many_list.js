// Keys in an order of one's own, and homes in that order. Every text goes in by textContent, never as markup.

export default function (component) {
  const { data, parentElement, setTriggerValue } = component;
  const list = parentElement.wallfootList || (parentElement.wallfootList = new List(parentElement));
  list.send = (name, value) => setTriggerValue(name, value);
  list.take(data);
}

class List {
  constructor(parent) {
    const root = parent.querySelector(".wf-list") || parent;
    root.replaceChildren();
    this.keys = add(root, "div", "keys");
    this.keys.setAttribute("role", "list");
    this.keys.setAttribute("aria-label", "Keys in their order");
    this.rows = add(root, "div", "rows");
    this.told = add(root, "p", "told");
  }

  take(data) {
    const made = JSON.stringify(data);
    if (made === this.made) { return; }
    this.made = made;
    this.data = data;
    this.build();
    this.list();
    this.told.textContent = data.told;
  }

  // ---- the keys ---------------------------------------------------------------------------------
  build() {
    const known = new Map(this.data.keys.map((key) => [key.name, key]));
    const order = this.data.order;
    this.keys.replaceChildren();
    add(this.keys, "span", "lead").textContent = "In the order of";
    order.forEach((name, at) => {
      const turned = name.startsWith("-"), key = known.get(turned ? name.slice(1) : name);
      if (!key) { return; }
      const chip = add(this.keys, "div", "key");
      chip.setAttribute("role", "listitem");
      chip.draggable = true;
      chip.dataset.name = key.name;
      add(chip, "span", "number").textContent = String(at + 1);
      const label = add(chip, "span", "label");
      add(label, "span").textContent = key.label;
      add(label, "small").textContent = `${key.ends[turned ? 1 : 0]} first`;
      const act = (sign, said, next, off) => {
        const button = add(chip, "button");
        button.type = "button";
        button.textContent = sign;
        button.title = said;
        button.setAttribute("aria-label", `${key.label}: ${said}`);
        button.disabled = off;
        button.addEventListener("click", () => this.choose(next()));
      };
      act("‹", "one place earlier", () => swapped(order, at, at - 1), at === 0);
      act("›", "one place later", () => swapped(order, at, at + 1), at === order.length - 1);
      act("⇅", "turn round", () => order.map((one, n) => (n === at ? (turned ? key.name : `-${key.name}`) : one)),
        false);
      act("×", "take out", () => order.filter((_, n) => n !== at), order.length === 1);
      chip.addEventListener("dragstart", (event) => {
        this.held = at;
        chip.classList.add("held");
        event.dataTransfer.effectAllowed = "move";
        event.dataTransfer.setData("text/plain", key.name);
      });
      chip.addEventListener("dragend", () => { this.held = undefined; this.build(); });
      chip.addEventListener("dragover", (event) => {
        if (this.held === undefined) { return; }
        event.preventDefault();
        chip.classList.add("over");
      });
      chip.addEventListener("dragleave", () => chip.classList.remove("over"));
      chip.addEventListener("drop", (event) => {
        event.preventDefault();
        if (this.held === undefined || this.held === at) { return; }
        const next = [...order], [moved] = next.splice(this.held, 1);
        next.splice(at, 0, moved);
        this.held = undefined;
        this.choose(next);
      });
    });
    const rest = this.data.keys.filter((key) => !order.some((name) => name.replace(/^-/, "") === key.name));
    if (!rest.length) { return; }
    const more = add(this.keys, "select");
    more.setAttribute("aria-label", "Add a key");
    add(more, "option").textContent = "+ add a key";
    for (const key of rest) {
      const option = add(more, "option");
      option.value = key.name;
      option.textContent = `${key.label} (${key.ends[0]} first)`;
    }
    more.addEventListener("change", () => { if (more.selectedIndex) { this.choose([...order, more.value]); } });
  }

  choose(order) {
    this.data = { ...this.data, order };
    this.build();
    this.send("order", order);
  }

  // ---- the homes --------------------------------------------------------------------------------
  list() {
    this.rows.replaceChildren();
    if (!this.data.rows.length) {
      add(this.rows, "div", "none").textContent = "No home of this kind.";
      return;
    }
    const head = add(this.rows, "div", "row head");
    for (const [name, kind] of [["place", "place"], ["home"], ["why here"], ["other dates"],
      ["before the next by", "before"]]) { add(head, "span", kind).textContent = name; }
    for (const row of this.data.rows) {
      const line = add(this.rows, "button", "row");
      line.type = "button";
      line.dataset.home = row.id;
      line.addEventListener("click", () => this.send("opened", row.id));
      add(line, "span", "place").textContent = String(row.place);
      const home = add(line, "span", "home");
      add(home, "b").textContent = row.id;
      add(home, "small").textContent = row.estate;
      add(line, "span", "said").textContent = row.said;
      const dates = add(line, "span", "dates");
      for (const one of row.dates) { add(dates, "span").textContent = one; }
      add(line, "span", "before").textContent = row.before;
    }
  }
}

function swapped(order, one, other) {
  const next = [...order];
  [next[one], next[other]] = [next[other], next[one]];
  return next;
}

function add(place, tag, kind) {
  const made = document.createElement(tag);
  if (kind) { made.className = kind; }
  place.appendChild(made);
  return made;
}
