// Keeps the plan's lettering apart, in pixels, whatever the scale.
(() => {
  const GAP = 2;

  const letter = (at, className, ...lines) => {
    const box = sitegeo.el("span", {}, ...lines.map((l) => sitegeo.el("span", {}, l)));
    return L.marker(at, {
      icon: L.divIcon({ className: `letter ${className}`, html: box, iconSize: [0, 0] }),
      interactive: false,
      keyboard: false,
      pane: "letters",
    });
  };
  sitegeo.letter = letter;

  const boxOf = (marker) => marker.getElement()?.firstElementChild?.getBoundingClientRect();
  const boxes = (selector) =>
    [...document.querySelectorAll(`.leaflet-container ${selector}`)].map((n) => n.getBoundingClientRect());
  const meet = (a, b) =>
    a.left < b.right && b.left < a.right && a.top < b.bottom && b.top < a.bottom;

  // Falling heights moved as little as gives each its room (pool adjacent violators).
  const apart = (wanted, heights) => {
    const steps = heights.reduce((s, h, i) => [...s, i ? s[i - 1] + (heights[i - 1] + h) / 2 + GAP : 0], []);
    const mean = (pool) => pool.reduce((a, b) => a + b, 0) / pool.length;
    const pools = [];
    wanted.forEach((y, i) => {
      pools.push([y - steps[i]]);
      while (pools.length > 1 && mean(pools.at(-2)) > mean(pools.at(-1))) {
        pools.splice(-2, 2, [...pools.at(-2), ...pools.at(-1)]);
      }
    });
    return pools.flatMap((pool) => pool.map(() => mean(pool))).map((y, i) => y + steps[i]);
  };

  sitegeo.lettering = (map) => {
    let beside = [];
    let pockets = [];
    let loose = [];
    const shown = ({ marker }) => marker.getElement();

    // A name in a column beside the drawing, with a line to what it names.
    const name = (label, ...lines) => {
      const leader = L.polyline([], { className: "shape leader", pane: "plan", interactive: false });
      const marker = letter(label.at, `plan-letter side-${label.side}`, ...lines);
      beside.push({ ...label, leader, marker });
      return [leader, marker];
    };
    // A word that stands where there is room for it, at one of several places, or nowhere; one
    // that is not `aside` may lie on the drawing.
    const word = (places, className, words, aside = false) => {
      const marker = letter(places[0], className, words);
      loose.push({ places, marker, aside });
      return marker;
    };
    const pocket = (at, ...lines) => {
      const marker = letter(at, "plan-letter pocket-letter", ...lines);
      pockets.push({ marker });
      return marker;
    };

    const columns = () => {
      for (const side of ["left", "right"]) {
        const rows = beside
          .filter((each) => each.side === side && shown(each))
          .map((each) => ({ ...each, spot: map.latLngToLayerPoint(each.at), box: boxOf(each.marker) }))
          .sort((a, b) => a.spot.y - b.spot.y);
        const heights = apart(rows.map((r) => r.spot.y), rows.map((r) => r.box.height));
        rows.forEach(({ spot, marker, leader, tip }, i) => {
          const at = map.layerPointToLatLng([spot.x, heights[i]]);
          marker.setLatLng(at);
          leader.setLatLngs([at, tip]);
        });
      }
    };
    const settle = () => {
      columns();
      const groups = boxes("path.plan-group");
      const drawn = [...groups, ...boxes("path.plan-pocket, path.plan-fire_closed")];
      for (const each of pockets.filter(shown)) {
        const node = each.marker.getElement();
        node.classList.remove("short");
        node.classList.toggle("short", groups.some((g) => meet(g, boxOf(each.marker))));
      }
      const taken = boxes(".plan-letter > span, .wind-letter > span, path.hide-mark");
      for (const each of loose.filter(shown)) {
        const fits = (avoid) =>
          each.places.some((place) => {
            each.marker.setLatLng(place);
            return !avoid.some((box) => meet(box, boxOf(each.marker)));
          });
        const free = fits([...taken, ...drawn]) || (!each.aside && fits(taken));
        each.marker.getElement().classList.toggle("no-room", !free);
        if (free) taken.push(boxOf(each.marker));
      }
      for (const mark of document.querySelectorAll(".blind")) {
        mark.classList.toggle("covered", taken.some((box) => meet(box, mark.getBoundingClientRect())));
      }
    };
    const clear = () => {
      beside = [];
      pockets = [];
      loose = [];
    };
    return { name, word, pocket, settle, clear };
  };
})();
