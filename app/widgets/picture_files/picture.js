// A picture one taps a place on. Names of places go into the page by textContent, never as markup.

const SIZES = [1, 2, 4, 8];

export default function (component) {
  const { data, parentElement, setStateValue } = component;
  let shown = parentElement.wallfootPicture;
  if (!shown || shown.name !== data.name) {
    shown = parentElement.wallfootPicture = new Picture(parentElement, data);
  }
  shown.send = (tap) => setStateValue("tap", tap);
  shown.take(data);
}

class Picture {
  constructor(parent, data) {
    this.name = data.name;
    this.count = 0;
    this.size = 1;
    const root = parent.querySelector(".wf-picture") || parent;
    root.replaceChildren();
    const bar = add(root, "div", "bar");
    this.buttons = SIZES.map((size) => {
      const button = add(bar, "button");
      button.type = "button";
      button.textContent = `${size}×`;
      button.addEventListener("click", () => this.resize(size));
      return button;
    });
    this.told = add(bar, "span");
    this.frame = add(root, "div", "frame");
    this.sheet = add(this.frame, "div", "sheet");
    this.image = add(this.sheet, "img");
    this.marks = add(this.sheet, "div");
    this.sheet.addEventListener("click", (event) => this.onTap(event));
    this.resize(1);
  }

  take(data) {
    this.width = data.width;
    this.height = data.height;
    this.image.alt = data.alt;
    if (this.image.src !== data.picture) { this.image.src = data.picture; }
    this.told.textContent = data.told;
    this.marks.replaceChildren();
    for (const point of data.marks) {
      const mark = add(this.marks, "div", point.fresh ? "mark fresh" : "mark");
      mark.style.left = `${(100 * point.column) / data.width}%`;
      mark.style.top = `${(100 * point.row) / data.height}%`;
      add(mark, "i");
      add(mark, "b").textContent = point.name;
    }
  }

  resize(size) {
    const across = this.frame.scrollWidth || 1, down = this.frame.scrollHeight || 1;
    const x = (this.frame.scrollLeft + this.frame.clientWidth / 2) / across;
    const y = (this.frame.scrollTop + this.frame.clientHeight / 2) / down;
    this.size = size;
    this.sheet.style.width = `${100 * size}%`;
    this.frame.scrollLeft = x * this.frame.scrollWidth - this.frame.clientWidth / 2;
    this.frame.scrollTop = y * this.frame.scrollHeight - this.frame.clientHeight / 2;
    this.buttons.forEach((button, at) => button.setAttribute("aria-pressed", String(SIZES[at] === size)));
  }

  onTap(event) {
    const box = this.image.getBoundingClientRect();
    if (!box.width || !box.height) { return; }
    const column = ((event.clientX - box.left) / box.width) * this.width;
    const row = ((event.clientY - box.top) / box.height) * this.height;
    this.count += 1;
    this.send({ column, row, count: this.count, at: Date.now() });
  }
}

function add(parent, tag, name) {
  const made = document.createElement(tag);
  if (name) { made.className = name; }
  parent.appendChild(made);
  return made;
}
