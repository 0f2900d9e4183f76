// What lies on the chart: context layers, the plan to scale, the blinds, the wind.
(() => {
  const SHEET_ORDER = ["touchdown", "fire_closed", "route", "pocket", "group", "jerk_line", "approach", "decoy", "motion"];
  const FAR = 0.45;
  const YARD = 0.9144;
  const UNDER = new Set(["touchdown", "fire_closed", "route", "access"]);
  const latlng = ([lng, lat]) => [lat, lng];

  const { letter } = sitegeo;

  const shapes = (geometry, pane, className, fill, glyph) =>
    L.geoJSON(geometry, {
      pane,
      interactive: false,
      style: {
        className: `shape ${className}`,
        fill: fill !== null,
        fillColor: fill ?? undefined,
        fillOpacity: 1,
        interactive: false,
      },
      pointToLayer: (_, at) =>
        new sitegeo.Glyph(at, {
          pane,
          className: `shape ${className}`,
          interactive: false,
          fill: true,
          radius: 9,
          ...glyph,
        }),
    });

  const length = (yards, units) =>
    units === "yd" ? `${Math.round(yards)} yd` : `${Math.round(yards * YARD)} m`;
  sitegeo.lengthText = length;
  sitegeo.bearingText = (degrees) => `${String(Math.round(degrees) % 360).padStart(3, "0")}°`;

  const contextGlyph = {
    dwellings: { draw: sitegeo.drawSquare, size: () => 3.5 },
    stations: { draw: sitegeo.drawCross, size: () => 3 },
    bank_exposure: { draw: sitegeo.drawRing, size: () => 2 },
    positions: { draw: sitegeo.drawCross, size: () => 6 },
  };
  const HATCHED = new Set(["setbacks", "closed_areas"]);
  const SOLID = new Set(["water", "dwellings"]);

  const contextLayer = (map, layer, z) => {
    const pane = `layer-${layer.name}`;
    map.createPane(pane).style.zIndex = z;
    const group = L.layerGroup();
    const fill = HATCHED.has(layer.name) ? sitegeo.hatch(layer.name) : SOLID.has(layer.name) ? "" : null;
    const glyph = contextGlyph[layer.name] ?? { draw: sitegeo.drawCross, size: () => 4 };
    const line = layer.name === "roads" ? "line cased" : "";
    const bank = { beaten: { draw: sitegeo.drawSquare, size: () => 2.5 }, along: { draw: sitegeo.drawCross, size: () => 2 } };
    for (const { shape, kind } of layer.shapes) {
      const look = `on-${layer.name} ${kind ? `kind-${kind}` : ""} ${line}`;
      group.addLayer(shapes(shape, pane, look, fill, bank[kind.split(" ")[0]] ?? glyph));
    }
    for (const { shape, words } of layer.shapes) {
      if (layer.name === "roads") group.addLayer(shapes(shape, pane, "line road-top", null, glyph));
      for (const piece of words ? shape.geometries : []) {
        group.addLayer(letter(L.geoJSON(piece).getBounds().getCenter(), "area-name", words));
      }
    }
    return group;
  };

  // Layers of a plan by role; `draw` puts other items on them.
  const planLayers = (map, data, letters) => {
    const groups = Object.fromEntries(SHEET_ORDER.map((role) => [role, L.layerGroup()]));
    groups.hide = L.layerGroup();
    const close = () => Math.max(1.3, Math.min(5, 0.5 / sitegeo.metresPerPixel(map, data.scale)));
    const plain = { draw: sitegeo.drawRing, size: () => 3 };
    const into = { access: "route", setback: null };
    const fill = { pocket: "", decoy: "", motion: "" };
    for (const role of ["touchdown", "fire_closed"]) fill[role] = sitegeo.hatch(role);
    const draw = (items, from) => {
      letters.clear();
      const glyphs = {
        decoy: { draw: sitegeo.drawDecoy(from), size: close },
        motion: { draw: sitegeo.drawMotion, size: () => Math.max(4, 1.6 * close()) },
        access: { draw: sitegeo.drawSquare, size: () => 4 },
      };
      for (const group of Object.values(groups)) group.clearLayers();
      const depth = (item) => SHEET_ORDER.indexOf(item.role);
      for (const item of [...items].sort((a, b) => depth(a) - depth(b))) {
        const target = item.role in into ? into[item.role] : item.role;
        if (target === null || !(target in groups)) continue;
        const part = item.role === "group" ? sitegeo.part(item.name) : item.role;
        const white = item.role === "decoy" && /^(white|geese)/.test(item.note);
        const look = `plan-${item.role} part-${part} ${white ? "kind-white" : ""}`;
        const paint = item.role === "group" ? sitegeo.hatch(part) : (fill[item.role] ?? null);
        if (item.role !== "hide") {
          const pane = UNDER.has(item.role) ? "under" : "plan";
          groups[target].addLayer(shapes(item.shape, pane, look, paint, glyphs[item.role] ?? plain));
        }
        for (const written of planLetters(item, data, letters)) groups[target].addLayer(written);
      }
    };
    return { groups, draw };
  };

  const planLetters = (item, data, letters) => {
    const near = item.range_yd === null ? "" : length(item.range_yd, data.units);
    if (item.role === "pocket") return [letters.pocket(item.label.at, "pocket", "left open", near)];
    if (item.role === "fire_closed") return [letters.word(item.places, "fire-letter", "no fire")];
    if (item.role === "access") {
      const middle = L.geoJSON(item.shape).getBounds().getCenter();
      return [letter(middle, "area-name access-letter", sitegeo.spoken(item.name))];
    }
    if (!item.label) return [];
    const name = sitegeo.spoken(item.name);
    const head = item.count === null || item.role === "motion" ? name : `${name}, ${item.count}`;
    const tail =
      item.role === "hide" || item.bearing_true === null
        ? ""
        : `${near}  ${sitegeo.bearingText(item.bearing_true)}`;
    return letters.name(item.label, head, tail);
  };

  // The hide's bracket, open to the front, and the rings before it, to scale.
  const aroundHide = (data) => {
    const rings = L.layerGroup();
    const step = data.units === "yd" ? 9.144 : 10;
    const draw = ({ hide, facing, figures }, into) => {
      const at = (bearing, metres) => sitegeo.offset(hide, bearing, metres, data.scale);
      const line = (places, pane, className) =>
        L.polyline(places, { pane, className: `shape ${className}`, fill: false, interactive: false });
      const half = facing === null ? 180 : 100;
      rings.clearLayers();
      for (let n = 1; n <= 4; n += 1) {
        const arc = [];
        for (let turn = -half; turn <= half; turn += 2) arc.push(at((facing ?? 0) + turn, n * step));
        const words = n === 4 ? `${10 * n} ${data.units}` : String(10 * n);
        rings.addLayer(line(arc, "rings", "ring"));
        rings.addLayer(letter(at(figures, n * step), "plan-letter ring-letter", words));
      }
      const corner = (along, across) => at(facing + (Math.atan2(across, along) * 180) / Math.PI, Math.hypot(along, across));
      const bracket =
        facing === null
          ? Array.from({ length: 25 }, (_, n) => at(n * 15, 1.5))
          : [corner(1, -2), corner(-1, -2), corner(-1, 2), corner(1, 2)];
      into.addLayer(line(bracket, "plan", "halo-line"));
      into.addLayer(line(bracket, "plan", "hide-mark"));
    };
    return { rings, draw };
  };

  const blindMarks = (data, onPick) => {
    const group = L.layerGroup();
    const marks = new Map();
    for (const blind of data.blinds) {
      const tick = sitegeo.svg("svg", { width: 44, height: 44, "aria-hidden": "true" });
      if (blind.facing !== null) {
        const a = (blind.facing * Math.PI) / 180;
        const [x, y] = [22 + 19 * Math.sin(a), 22 - 19 * Math.cos(a)];
        tick.append(sitegeo.svg("path", { d: `M22,22 L${x.toFixed(1)},${y.toFixed(1)}` }));
      }
      const figure = sitegeo.el("b", {}, String(blind.rank));
      const mark = L.marker(blind.at, {
        icon: L.divIcon({
          className: "blind",
          html: sitegeo.el("span", {}, tick, figure),
          iconSize: [24, 24],
        }),
        title: `blind ${blind.rank}: ${blind.id}, ${blind.kind}`,
        alt: `blind ${blind.rank}: ${blind.id}`,
        pane: "letters",
        riseOnHover: true,
        bubblingMouseEvents: false,
      });
      mark.on("click keypress", (event) => {
        if (event.type === "keypress" && event.originalEvent.key !== "Enter") return;
        onPick(blind.id, false);
      });
      marks.set(blind.id, { mark, figure });
      group.addLayer(mark);
    }
    const rank = (ranked, drawn) => {
      // A lesser blind of a place that another stands for in this wind has no mark.
      const listed = new Set(ranked.map((blind) => blind.id));
      for (const [id, { mark }] of marks) {
        mark.getElement()?.classList.toggle("unlisted", !listed.has(id));
      }
      for (const { id, kind, rank: place } of ranked) {
        const { mark, figure } = marks.get(id);
        figure.textContent = String(place);
        const node = mark.getElement();
        if (!node) continue;
        mark.setZIndexOffset(-20 * place);
        node.title = `blind ${place}: ${id}, ${kind}`;
        node.classList.toggle("later", place > sitegeo.FIRST);
        node.classList.toggle("chosen", id === drawn);
      }
    };
    return { group, marks, rank };
  };

  sitegeo.chart = (map, data, onPick, onTurn) => {
    const panes = { rings: 395, under: 397, plan: 400, wind: 410, letters: 620 };
    for (const [pane, z] of Object.entries(panes)) map.createPane(pane).style.zIndex = z;
    const layers = {};
    data.layers.forEach((layer, i) => {
      if (layer.state === "mapped") layers[layer.name] = contextLayer(map, layer, 300 + i);
    });
    const around = aroundHide(data);
    const letters = sitegeo.lettering(map);
    const plan = planLayers(map, data, letters);
    const turning = sitegeo.turning(map, data);
    const wind = sitegeo.windArrow(map, data, onTurn);
    const { group: blinds, marks, rank } = blindMarks(data, onPick);
    Object.assign(layers, turning?.layers, plan.groups, { rings: around.rings, wind, blinds });

    const near = () =>
      map.getContainer().classList.toggle("far", sitegeo.metresPerPixel(map, data.scale) > FAR);
    map.on("zoomend", near);
    map.on("zoomend resize", letters.settle);
    const mark = (id) => {
      for (const [key, each] of marks) {
        each.mark.getElement()?.classList.toggle("picked", key === id);
      }
    };
    let stripWord = null;
    // Draw a state of the page: a wind, the blinds in order, one of them with its spread.
    const show = (state) => {
      turning?.show(state.wind);
      plan.draw(state.items, state.from);
      if (state.hide) around.draw(state, plan.groups.hide);
      rank(state.ranked, state.drawn);
      wind.moveTo?.(state.arrow);
      if (stripWord) layers.strip.removeLayer(stripWord);
      const near = turning?.strips(state.wind, state.hide).near ?? [];
      stripWord = near.length
        ? letters.word(near.map((s) => s.at), "strip-letter", `calm strip ${length(near[0].metres / YARD, data.units)}`, true)
        : null;
      if (stripWord) layers.strip.addLayer(stripWord);
      letters.settle();
    };
    const settle = () => {
      near();
      wind.redraw?.();
      letters.settle();
    };
    const strips = (wind, hide) => turning?.strips(wind, hide) ?? null;
    return { layers, mark, show, settle, strips, turnTo: (n) => wind.turnTo?.(n) };
  };
})();
