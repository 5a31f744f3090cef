// Where names stand on a map. No name lies over another or over a symbol; one that is moved away keeps a
// line to its place; one that finds no room waits for a pointer near it or a closer view.
(() => {
  if (!window.L || L.wallfoot) { return; }

  const GAP = 3, NEAR = 7, TOUCH = 14, ASK = 14, SAME = 4, TRIES = 6;
  const RINGS = [2, 9, 18, 30, 44, 60, 80, 100], TURNS = 16;
  const COST = {ring: 0.6, pixel: 0.12, turn: 1.5, lead: 2.5, spot: 1.2, beside: 3, line: 1, touch: 0.8, place: 3, gone: 60, rank: 20, later: 10};
  const EAST_UP = -Math.PI / 4, WEST_DOWN = 3 * Math.PI / 4;
  // rank: who chooses first; clear: half the symbol it belongs to; reach: how far it may go; home: may stand
  // on its place; pinned: there it may cover lines; from: its place has no other sign, so it gets a dot when
  // the name is elsewhere; light: others may cover it at need; strict: covers no reading.
  const KINDS = {
    spill: {rank: 0, clear: 8, reach: 100},
    rival: {rank: 1, clear: 8, reach: 100},
    stop: {rank: 2, clear: 3, reach: 60, home: true, pinned: true, from: true},
    put: {rank: 3, clear: 8, reach: 80},
    entry: {rank: 4, clear: 3, reach: 44, home: true, pinned: true, from: true},
    pool: {rank: 5, clear: 3, reach: 100, home: true, from: true},
    way: {rank: 6, clear: 3, reach: 100, home: true, from: true},
    gully: {rank: 7, clear: 8, reach: 80, symbol: true},
    corner: {rank: 8, clear: 3, reach: 44, home: true, pinned: true, from: true},
    chamber: {rank: 9, clear: 12, reach: 60, symbol: true},
    soakaway: {rank: 9, clear: 12, reach: 60, symbol: true},
    downpipe: {rank: 9, clear: 8, reach: 80, symbol: true, turn: WEST_DOWN},
    other: {rank: 10, clear: 6, reach: 60, symbol: true, turn: WEST_DOWN},
    stretch: {rank: 11, clear: 3, reach: 80, home: true, from: true},
    run: {rank: 12, clear: 2, reach: 30, home: true},
    face: {rank: 13, clear: 2, reach: 18, home: true},
    sign: {rank: 14, clear: 6, reach: 0, home: true, light: true},
    value: {rank: 15, clear: 6, reach: 8, strict: true}
  };

  const covers = (a, b, gap) =>
    a.x < b.x + b.w + gap && b.x < a.x + a.w + gap && a.y < b.y + b.h + gap && b.y < a.y + a.h + gap;

  const around = (mark, more) =>
    ({x: mark.x - mark.r - more, y: mark.y - mark.r - more, w: 2 * (mark.r + more), h: 2 * (mark.r + more)});

  // Whether a line from (s[0], s[1]) to (s[2], s[3]) passes through a box.
  function through(s, box, gap) {
    let from = 0, to = 1;
    const dx = s[2] - s[0], dy = s[3] - s[1];
    for (const [p, q] of [
      [-dx, s[0] - box.x + gap], [dx, box.x + box.w + gap - s[0]],
      [-dy, s[1] - box.y + gap], [dy, box.y + box.h + gap - s[1]]
    ]) {
      if (p === 0) { if (q < 0) { return false; } continue; }
      if (p < 0) { from = Math.max(from, q / p); } else { to = Math.min(to, q / p); }
      if (from > to) { return false; }
    }
    return true;
  }

  function crosses(a, b) {
    const side = (s, x, y) => Math.sign((s[2] - s[0]) * (y - s[1]) - (s[3] - s[1]) * (x - s[0]));
    return side(a, b[0], b[1]) !== side(a, b[2], b[3]) && side(b, a[0], a[1]) !== side(b, a[2], a[3]);
  }

  const within = (value, least, most) => Math.min(Math.max(value, least), most);

  // Everywhere a name may stand, cheapest first.
  function candidates(label, shared) {
    const found = [], {w, h, clear} = label;
    (label.home && !shared ? label.spots : []).forEach(([x, y], k) => {
      found.push({x: x - w / 2, y: y - h / 2, w, h, cost: COST.spot * k, lead: null, on: label.pinned});
    });
    const [x, y] = label.spots[0];
    for (const ring of RINGS) {
      if (ring > label.reach) { break; }
      for (let k = 0; k < TURNS; k += 1) {
        const turn = label.turn + 2 * Math.PI * k / TURNS, away = clear + ring;
        const box = {
          x: Math.round(x + Math.cos(turn) * (away + w / 2) - w / 2),
          y: Math.round(y + Math.sin(turn) * (away + h / 2) - h / 2), w, h
        };
        const end = [within(x, box.x, box.x + w), within(y, box.y, box.y + h)];
        const far = Math.hypot(end[0] - x, end[1] - y) > clear + NEAR;
        box.lead = far ? [x, y, ...end] : null;
        box.cost = (label.home ? COST.beside : COST.ring) + COST.pixel * ring + (far ? COST.lead : 0)
          + COST.turn * Math.min(k, TURNS - k) / (TURNS / 2);
        found.push(box);
      }
    }
    return found.sort((a, b) => a.cost - b.cost);
  }

  // One name after the other, each at its cheapest free place.
  // labels: w, h, spots (where it may stand, its place first), turn (where beside it is best) and a kind's;
  // marks: x, y, r (half its side) and soft, what it costs to cover it, 0 where it never may be;
  // lines: [x, y, x, y].
  // All in pixels. Gives for each label its box and the line back to its place, or null.
  function inTurn(order, labels, marks, lines) {
    const given = labels.map(() => null), boxes = [], leads = [];
    const homes = labels.filter((label) => label.from).map(({spots: [[x, y]]}) => ({x, y, r: SAME, soft: COST.place}));
    for (const k of order) {
      const label = labels[k], [home] = label.spots;
      const xs = label.spots.map((s) => s[0]), ys = label.spots.map((s) => s[1]);
      const far = label.reach + label.clear + TOUCH;
      const area = {
        x: Math.min(...xs) - label.w - far, y: Math.min(...ys) - label.h - far,
        w: Math.max(...xs) - Math.min(...xs) + 2 * (label.w + far),
        h: Math.max(...ys) - Math.min(...ys) + 2 * (label.h + far)
      };
      const own = (mark) => Math.max(Math.abs(mark.x - home[0]), Math.abs(mark.y - home[1])) <= mark.r;
      const hard = [], soft = homes.filter((mark) => !own(mark));
      for (const mark of marks) {
        if (!covers(around(mark, 0), area, 0)) { continue; }
        (mark.soft && !label.strict ? soft : hard).push(mark);
      }
      const nearLines = lines.filter((s) => through(s, area, 0));
      const nearBoxes = boxes.filter((box) => covers(box, area, 0));
      const nearLeads = leads.filter((s) => through(s, area, 0));
      let best = null, least = Infinity;
      for (const one of candidates(label, homes.filter(own).length > 1)) {
        if (one.cost >= least) { break; }
        if (nearBoxes.some((box) => covers(one, box, GAP)) || nearLeads.some((s) => through(s, one, 1))
          || hard.some((mark) => covers(one, around(mark, 0), 2))) { continue; }
        if (one.lead && (nearLeads.some((s) => crosses(s, one.lead))
          || nearBoxes.some((box) => through(one.lead, box, 1))
          || hard.some((mark) => !own(mark) && through(one.lead, around(mark, 0), 0)))) { continue; }
        let cost = one.cost;
        for (const mark of soft) { cost += covers(one, around(mark, 0), 0) ? mark.soft : 0; }
        for (const mark of hard) { cost += !own(mark) && covers(one, around(mark, TOUCH), 0) ? COST.touch : 0; }
        for (const s of one.on ? [] : nearLines) {
          if (cost >= least) { break; }
          cost += through(s, one, 0) ? COST.line : 0;
        }
        if (cost < least) { best = {...one, cost}; least = cost; }
      }
      if (!best) { continue; }
      boxes.push(best);
      if (best.lead) { leads.push(best.lead); }
      given[k] = best;
    }
    return given;
  }

  // By rank; then a name of what was recorded that found no room goes first, if all is the better for it.
  function place(labels, marks, lines) {
    const without = ({rank}) =>
      rank > KINDS.other.rank ? COST.later : COST.gone + COST.rank * (KINDS.other.rank - rank);
    const worth = (given) => given.reduce((sum, one, k) => sum + (one ? one.cost : without(labels[k])), 0);
    let order = labels.map((_, k) => k).sort((a, b) => labels[a].rank - labels[b].rank || a - b);
    let given = inTurn(order, labels, marks, lines), least = worth(given);
    const tried = new Set();
    while (tried.size < TRIES) {
      const gone = order.find((k) => !given[k] && labels[k].rank <= KINDS.other.rank && !tried.has(k));
      if (gone === undefined) { break; }
      tried.add(gone);
      const other = [gone, ...order.filter((k) => k !== gone)];
      const again = inTurn(other, labels, marks, lines);
      if (worth(again) < least) { order = other; given = again; least = worth(again); }
    }
    return given;
  }

  const add = (host, name) => {
    const made = document.createElement('div');
    made.className = name;
    host.appendChild(made);
    return made;
  };

  // How a feature that is a point is drawn: a reading, or a symbol and a name. Every word goes in as text.
  function point(feature, latlng) {
    const p = feature.properties;
    if (p.text === undefined) { return L.circleMarker(latlng, p.style); }
    const look = /^[a-z_]+$/.test(p.look) ? p.look : 'sign';
    const known = look !== 'sign' && Object.hasOwn(KINDS, look);
    const kind = known ? KINDS[look] : p.known ? KINDS.other : look === 'off' ? null : KINDS.sign;
    const host = document.createElement('div');
    const lead = add(host, 'wf-lead');
    const drawn = kind === KINDS.other ? 'other' : look;
    const box = add(host, `wf-mark wf-${drawn}${p.known && p.known !== 'seen' ? ' wf-unseen' : ''}`);
    const name = kind && kind.symbol ? add(host, 'wf-label wf-name') : box;
    const words = document.createElement('span');
    words.textContent = p.text;
    if (/^#[0-9a-f]{6}$/.test(p.colour || '')) { words.style.color = p.colour; }
    name.appendChild(words);
    if (kind) { name.classList.add('wf-label'); }
    const marker = L.marker(latlng, {
      icon: L.divIcon({html: host, className: 'wf-icon', iconSize: [0, 0]}),
      interactive: (p.card || []).length > 0, keyboard: p.known !== undefined,
      zIndexOffset: p.over ? 2000 : p.known ? 500 : 0
    });
    marker.wallfoot = {
      kind, name, lead, size: null, also: (p.also || []).map(([lng, lat]) => L.latLng(lat, lng)),
      told: (p.card || []).length > 0
    };
    return marker;
  }

  // What is on the map now, in pixels of its zoom: a view that is only moved changes none of it.
  function read(map) {
    const zoom = map.getZoom(), markers = [], marks = [], lines = [];
    let origin = null;
    const at = (latlng) => {
      const xy = map.project(latlng, zoom);
      origin = origin || xy.round();
      return [xy.x - origin.x, xy.y - origin.y];
    };
    const trace = (part, closed) => {
      if (part.length && Array.isArray(part[0])) { part.forEach((inner) => trace(inner, closed)); return; }
      const xy = part.map(at);
      for (let k = closed ? 0 : 1; k < xy.length; k += 1) {
        lines.push([...xy[(k || xy.length) - 1], ...xy[k]]);
      }
    };
    map.eachLayer((layer) => {
      if (layer.wallfoot) {
        const {kind} = layer.wallfoot, [x, y] = at(layer.getLatLng());
        if (kind) { markers.push(layer); }
        if (!kind || kind.symbol || kind.light) {
          marks.push({x, y, r: kind ? kind.clear : NEAR, soft: kind && kind.symbol ? 0 : kind ? 1 : 3});
        }
      } else if (layer instanceof L.CircleMarker) {
        const [x, y] = at(layer.getLatLng());
        marks.push({x, y, r: layer.getRadius(), soft: 1});
      } else if (layer instanceof L.Marker) {
        const icon = layer.getElement(), [x, y] = at(layer.getLatLng());
        if (icon && icon.querySelector('.wf-grip')) { marks.push({x, y, r: 13, soft: 0}); }
      } else if (layer instanceof L.Polyline && layer.options.stroke && layer.options.opacity > 0) {
        trace(layer.getLatLngs(), layer instanceof L.Polygon);
      }
    });
    const labels = markers.map((marker) => {
      const {kind, name, also} = marker.wallfoot;
      const size = marker.wallfoot.size = marker.wallfoot.size || [name.offsetWidth, name.offsetHeight];
      return {
        turn: EAST_UP, ...kind, w: size[0], h: size[1], spots: [marker.getLatLng(), ...also].map(at)
      };
    });
    return {markers, labels, marks, lines};
  }

  function show(marker, label, given) {
    const {kind, name, lead} = marker.wallfoot, [x, y] = label.spots[0];
    name.classList.toggle('wf-placed', Boolean(given));
    lead.className = 'wf-lead' + (kind.from && (!given || given.lead) ? ' wf-from' : '');
    lead.style.width = '0';
    if (!given) {
      name.style.transform = `translate(${kind.clear}px, ${-kind.clear - label.h}px)`;
      return;
    }
    name.style.transform = `translate(${Math.round(given.x - x)}px, ${Math.round(given.y - y)}px)`;
    if (given.lead) {
      const dx = given.lead[2] - x, dy = given.lead[3] - y;
      lead.style.width = `${Math.hypot(dx, dy).toFixed(1)}px`;
      lead.style.transform = `rotate(${Math.atan2(dy, dx).toFixed(4)}rad)`;
    }
  }

  L.Map.addInitHook(function () {
    const map = this;
    let waiting = false, hidden = [], asked = null;
    const lay = () => {
      waiting = false;
      if (!map._container.offsetWidth) { return; }
      const {markers, labels, marks, lines} = read(map);
      if (labels.length && !labels.some((label) => label.w)) {
        markers.forEach((marker) => { marker.wallfoot.size = null; });
        return;
      }
      const given = place(labels, marks, lines);
      markers.forEach((marker, k) => show(marker, labels[k], given[k]));
      hidden = markers.filter((marker, k) => !given[k] && !marker.wallfoot.told && marker.wallfoot.kind.rank < KINDS.sign.rank);
    };
    const plan = () => {
      if (waiting) { return; }
      waiting = true;
      requestAnimationFrame(lay);
    };
    // A name without a card that found no room is shown while a pointer or finger is at its place.
    const ask = (event) => {
      if (!hidden.length && !asked) { return; }
      const here = map.mouseEventToContainerPoint(event);
      const near = hidden.find(
        (marker) => map.latLngToContainerPoint(marker.getLatLng()).distanceTo(here) < ASK
      ) || null;
      if (near === asked) { return; }
      if (asked) { asked.wallfoot.name.classList.remove('wf-asked'); asked.setZIndexOffset(0); }
      asked = near;
      if (asked) { asked.wallfoot.name.classList.add('wf-asked'); asked.setZIndexOffset(3000); }
    };
    map.on('layeradd layerremove', (event) => { if (event.layer.feature) { plan(); } });
    map.on('zoomend resize', plan);
    map.whenReady(plan);
    map._container.addEventListener('pointermove', ask);
    map._container.addEventListener('pointerdown', ask);
  });

  L.wallfoot = {place, point};
})();
