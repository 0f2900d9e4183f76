// What lies on the chart: context layers, the plan to scale, the blinds, the wind.
(() => {
  const SHEET_ORDER = ["touchdown", "fire_closed", "route", "pocket", "group", "jerk_line", "decoy", "motion"];
  const FAR = 0.45;
  const UNDER = new Set(["touchdown", "fire_closed", "route", "access"]);
  const latlng = ([lng, lat]) => [lat, lng];

  const letter = (at, className, ...lines) => {
    const box = sitegeo.el("span", {}, ...lines.map((l) => sitegeo.el("span", {}, l)));
    return L.marker(at, {
      icon: L.divIcon({ className: `letter ${className}`, html: box, iconSize: [0, 0] }),
      interactive: false,
      keyboard: false,
      pane: "letters",
    });
  };

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
    units === "yd" ? `${Math.round(yards)} yd` : `${Math.round(yards * 0.9144)} m`;
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

  const planLayers = (map, data) => {
    const groups = Object.fromEntries(SHEET_ORDER.map((role) => [role, L.layerGroup()]));
    groups.hide = L.layerGroup();
    const close = () => Math.max(1.3, Math.min(5, 0.5 / sitegeo.metresPerPixel(map, data.scale)));
    const glyphs = {
      decoy: { draw: sitegeo.drawDecoy(data.wind.from), size: close },
      motion: { draw: sitegeo.drawMotion, size: () => Math.max(4, 1.6 * close()) },
      access: { draw: sitegeo.drawSquare, size: () => 4 },
    };
    const plain = { draw: sitegeo.drawRing, size: () => 3 };
    const into = { access: "route", setback: null, hide: "hide" };
    const ordered = [...data.plan].sort(
      (a, b) => SHEET_ORDER.indexOf(a.role) - SHEET_ORDER.indexOf(b.role),
    );
    for (const item of ordered) {
      const target = item.role in into ? into[item.role] : item.role;
      if (target === null || !(target in groups)) continue;
      const part = item.role === "group" ? sitegeo.part(item.name) : item.role;
      const fill = { group: sitegeo.hatch(part), pocket: "", decoy: "", motion: "" };
      const kind = item.role === "decoy" && /^(white|geese)/.test(item.note) ? "kind-white" : "";
      const look = `plan-${item.role} part-${part} ${kind}`;
      const paint = fill[item.role] ?? (item.role === "touchdown" || item.role === "fire_closed" ? sitegeo.hatch(item.role) : null);
      if (item.role !== "hide") {
        groups[target].addLayer(shapes(item.shape, UNDER.has(item.role) ? "under" : "plan", look, paint, glyphs[item.role] ?? plain));
      }
      for (const written of planLetters(item, data)) groups[target].addLayer(written);
    }
    return groups;
  };

  const planLetters = (item, data) => {
    const near = item.range_yd === null ? "" : length(item.range_yd, data.units);
    if (item.role === "pocket") {
      return [letter(item.label.at, "plan-letter pocket-letter", "pocket", "left open", near)];
    }
    if (item.role === "access" || item.role === "fire_closed") {
      const middle = L.geoJSON(item.shape).getBounds().getCenter();
      const words = item.role === "access" ? sitegeo.spoken(item.name) : "no fire";
      return [letter(middle, `area-name ${item.role}-letter`, words)];
    }
    if (!item.label) return [];
    const name = sitegeo.spoken(item.name);
    const head = item.count === null || item.role === "motion" ? name : `${name}, ${item.count}`;
    const tail =
      item.role === "hide" || item.bearing_true === null
        ? ""
        : `${near}  ${sitegeo.bearingText(item.bearing_true)}`;
    return [
      L.polyline([item.label.at, item.label.tip], {
        className: "shape leader",
        pane: "plan",
        interactive: false,
      }),
      letter(item.label.at, `plan-letter side-${item.label.side}`, head, tail),
    ];
  };

  const aroundHide = (data) => {
    const rings = L.layerGroup();
    const hide = L.layerGroup();
    if (!data.around) return { rings, hide };
    data.around.rings.forEach((ring, i, all) => {
      rings.addLayer(shapes(ring.shape, "rings", "ring", null, {}));
      const at = latlng([ring.at[1], ring.at[0]]);
      const words = i === all.length - 1 ? `${ring.words} ${data.units}` : ring.words;
      rings.addLayer(letter(at, "plan-letter ring-letter", words));
    });
    hide.addLayer(shapes(data.around.mark, "plan", "halo-line", null, {}));
    hide.addLayer(shapes(data.around.mark, "plan", "hide-mark", null, {}));
    return { rings, hide };
  };

  // A plain arrow lying on the water, pointing the way the wind blows.
  const windArrow = (map, data) => {
    const group = L.layerGroup();
    const arrow = data.around?.arrow;
    if (!arrow || data.wind.from === null) return group;
    const a = (data.wind.from * Math.PI) / 180;
    const [e, n] = [Math.sin(a), -Math.cos(a)];
    const draw = () => {
      // Seen from afar it moves out to the middle of the water and keeps a length one can see.
      const perPixel = sitegeo.metresPerPixel(map, data.scale);
      const half = Math.max(110, Math.min(320, arrow.length_m / perPixel)) / 2;
      const centre = map.latLngToLayerPoint(perPixel > FAR ? arrow.far_at : arrow.at);
      const at = (along, across) =>
        map.layerPointToLatLng(
          centre.add([e * along - n * across, n * along + e * across]),
        );
      const line = (points, className) =>
        L.polyline(points, { className: `shape ${className}`, pane: "wind", interactive: false });
      group.clearLayers();
      const shaft = [at(half, 0), at(-half + 16, 0)];
      group.addLayer(line(shaft, "wind-halo"));
      group.addLayer(line(shaft, "wind-shaft"));
      group.addLayer(
        L.polygon([at(-half, 0), at(-half + 24, 7), at(-half + 18, 0), at(-half + 24, -7)], {
          className: "shape wind-head",
          pane: "wind",
          interactive: false,
          fillOpacity: 1,
        }),
      );
      // Beside the shaft, on the side away from the drawing, clear of it whichever way it lies.
      const aside = 13 + 34 * Math.abs(n);
      const spread = map.latLngToLayerPoint(data.around.hide);
      const room = (across) => map.latLngToLayerPoint(at(8, across)).distanceTo(spread);
      const across = room(aside) > room(-aside) ? aside : -aside;
      group.addLayer(letter(at(8, across), "wind-letter", data.wind.words.split(" (")[0]));
    };
    map.on("zoomend resize", draw);
    group.redraw = draw;
    return group;
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
      const box = sitegeo.el("span", {}, tick, sitegeo.el("b", {}, String(blind.rank)));
      const mark = L.marker(blind.at, {
        icon: L.divIcon({
          className: `blind ${blind.chosen ? "chosen" : ""} ${blind.rank > sitegeo.FIRST ? "later" : ""}`,
          html: box,
          iconSize: [24, 24],
        }),
        title: `blind ${blind.rank}: ${blind.id}, ${blind.kind}`,
        alt: `blind ${blind.rank}: ${blind.id}`,
        pane: "letters",
        riseOnHover: true,
      });
      mark.on("click keypress", (event) => {
        if (event.type === "keypress" && event.originalEvent.key !== "Enter") return;
        onPick(blind.id, false);
      });
      marks.set(blind.id, mark);
      group.addLayer(mark);
    }
    return { group, marks };
  };

  sitegeo.chart = (map, data, onPick) => {
    for (const [pane, z] of [["rings", 395], ["under", 397], ["plan", 400], ["wind", 410], ["letters", 620]]) {
      map.createPane(pane).style.zIndex = z;
    }
    const layers = {};
    data.layers.forEach((layer, i) => {
      if (layer.state === "mapped") layers[layer.name] = contextLayer(map, layer, 300 + i);
    });
    const { rings, hide } = aroundHide(data);
    const roles = planLayers(map, data);
    roles.hide.addLayer(hide);
    const wind = windArrow(map, data);
    const { group: blinds, marks } = blindMarks(data, onPick);
    Object.assign(layers, roles, { rings, wind, blinds });

    const near = () =>
      map.getContainer().classList.toggle("far", sitegeo.metresPerPixel(map, data.scale) > FAR);
    map.on("zoomend", near);
    const mark = (id) => {
      for (const [key, each] of marks) {
        each.getElement()?.classList.toggle("picked", key === id);
      }
    };
    const settle = () => {
      near();
      wind.redraw?.();
    };
    return { layers, mark, settle };
  };
})();
