// The wind: its arrow on the water, which turns, and what it does to the banks and the water.
(() => {
  const FAR = 0.45;
  const LEAST_STRIP_M = 3;
  // A strip this near to the hide has its width written on it.
  const NEAR_M = 80;

  // A wind of the page: what is the same for all is taken from the page itself.
  sitegeo.winds = (data) =>
    data.turn?.winds ?? (data.wind.from === null ? [] : [{ from: data.wind.from, words: data.wind.words }]);

  // Blinds under one of the winds, best first, in words.
  sitegeo.ranked = (data, number) => {
    const wind = data.turn?.winds[number];
    if (!wind) {
      return data.blinds.map((blind) => ({ ...blind, blind: blind.id, grades: "" }));
    }
    const { texts } = data.turn;
    return wind.order.map((at, i) => ({
      ...data.blinds[at],
      rank: i + 1,
      layout: texts[wind.layout[i]],
      side: texts[wind.side[i]],
      why: wind.why[i].map((n) => texts[n]).join("; "),
      grades: texts[wind.grades[i]],
    }));
  };

  const lines = (encoded, origin) =>
    encoded.map((steps) => {
      const places = [];
      let [lat, lng] = [Math.round(origin[0] * 1e6), Math.round(origin[1] * 1e6)];
      for (let i = 0; i < steps.length; i += 2) {
        lng += steps[i];
        lat += steps[i + 1];
        places.push([lat / 1e6, lng / 1e6]);
      }
      return places;
    });

  // Sheltered water, the calm strip along the banks, and the banks by what the wind does there.
  sitegeo.turning = (map, data) => {
    const { turn } = data;
    if (!turn) return null;
    const pane = (name, z) => {
      map.createPane(name).style.zIndex = z;
      return { pane: name, interactive: false, smoothFactor: 0.5 };
    };
    const hatched = (name, z) => ({
      ...pane(name, z),
      className: `shape on-${name}`,
      fill: true,
      fillColor: sitegeo.hatch(name),
      fillOpacity: 1,
      fillRule: name === "strip" ? "nonzero" : "evenodd",
    });
    const pieces = lines(turn.stations, turn.origin);
    const lee = L.polygon([], hatched("lee", 306));
    const strip = L.polygon([], hatched("strip", 307));
    const look = pane("banks", 308);
    const kinds = ["sheltered", "along", "beaten"].map((kind) =>
      L.polyline([], { ...look, className: `shape line on-bank_exposure kind-${kind}` }),
    );
    // Neighbours along a shore that are alike, as numbers of pieces in a row.
    const runs = (alike) => {
      const found = [];
      pieces.forEach((piece, i) => {
        const kind = alike(i);
        const last = found.at(-1);
        const end = pieces[i - 1]?.at(-1);
        const joined = end && end[0] === piece[0][0] && end[1] === piece[0][1];
        if (last && joined && last.kind === kind) last.numbers.push(i);
        else found.push({ kind, numbers: [i] });
      });
      return found;
    };
    const bank = (numbers) => [pieces[numbers[0]][0], ...numbers.flatMap((i) => pieces[i].slice(1))];
    const show = (number) => {
      const wind = turn.winds[number];
      wind.rings ??= lines(wind.lee, turn.origin);
      lee.setLatLngs([wind.rings]);
      const edge = (i) => {
        const [, middle] = pieces[i];
        return sitegeo.offset(middle, turn.facing[i], wind.strip[i], data.scale);
      };
      const calm = runs((i) => wind.strip[i] >= LEAST_STRIP_M).filter((run) => run.kind);
      strip.setLatLngs(calm.map(({ numbers }) => [[...bank(numbers), ...numbers.map(edge).reverse()]]));
      const banks = runs((i) => Number(wind.banks[i]));
      kinds.forEach((line, n) =>
        line.setLatLngs(banks.filter((run) => run.kind === n + 1).map(({ numbers }) => bank(numbers))),
      );
    };
    // The widest calm strip of a wind in metres, and those of one width nearest to a place.
    const strips = (number, at) => {
      const { strip: widths } = turn.winds[number];
      const widest = widths.reduce((a, b) => Math.max(a, b), 0);
      const far = (i) => (at ? map.distance(pieces[i][1], at) : Infinity);
      const near = [...widths.keys()]
        .filter((i) => widths[i] >= LEAST_STRIP_M && far(i) <= NEAR_M)
        .sort((a, b) => far(a) - far(b));
      return {
        widest: widest >= LEAST_STRIP_M ? widest : 0,
        near: near
          .filter((i) => Math.abs(widths[i] / widths[near[0]] - 1) <= 0.15)
          .flatMap((i) =>
            [20, 35, 10].map((out) => ({
              metres: widths[i],
              at: sitegeo.offset(pieces[i][1], turn.facing[i], Math.min(widths[i] / 2, out), data.scale),
            })),
          ),
      };
    };
    return { layers: { lee, strip: L.layerGroup([strip]), banks: L.layerGroup(kinds) }, show, strips };
  };

  // A plain arrow lying on the water, pointing the way the wind blows; drag it or use the keys.
  sitegeo.windArrow = (map, data, onTurn) => {
    const group = L.layerGroup();
    const arrow = data.around?.arrow;
    const winds = sitegeo.winds(data);
    if (!arrow || !winds.length) return group;
    let number = 0;
    let home = arrow.at;
    let written = null;
    const line = (className, more = {}) =>
      L.polyline([], { className: `shape ${className}`, pane: "wind", interactive: false, ...more });
    const halo = line("wind-halo");
    const shaft = line("wind-shaft");
    const head = L.polygon([], { className: "shape wind-head", pane: "wind", interactive: false, fillOpacity: 1 });
    const grip = line("wind-grip", { interactive: winds.length > 1, bubblingMouseEvents: false });
    for (const each of [halo, shaft, head, grip]) group.addLayer(each);
    const anchor = () =>
      map.latLngToLayerPoint(
        sitegeo.metresPerPixel(map, data.scale) > FAR ? arrow.far_at : home,
      );
    const draw = () => {
      const a = (winds[number].from * Math.PI) / 180;
      const [e, n] = [Math.sin(a), -Math.cos(a)];
      // Seen from afar it moves out to the middle of the water and keeps a length one can see.
      const half =
        Math.max(110, Math.min(320, arrow.length_m / sitegeo.metresPerPixel(map, data.scale))) / 2;
      const centre = anchor();
      const at = (along, across) =>
        map.layerPointToLatLng(centre.add([e * along - n * across, n * along + e * across]));
      const ends = [at(half, 0), at(-half + 16, 0)];
      for (const each of [halo, shaft]) each.setLatLngs(ends);
      grip.setLatLngs([at(half, 0), at(-half, 0)]);
      head.setLatLngs([at(-half, 0), at(-half + 24, 7), at(-half + 18, 0), at(-half + 24, -7)]);
      // Beside the shaft, on the side away from the drawing, clear of it whichever way it lies.
      const aside = 13 + 34 * Math.abs(n);
      const spread = map.latLngToLayerPoint(data.around.hide);
      const room = (across) => map.latLngToLayerPoint(at(8, across)).distanceTo(spread);
      const across = room(aside) > room(-aside) ? aside : -aside;
      if (written) group.removeLayer(written);
      written = sitegeo.letter(at(8, across), "wind-letter", winds[number].words.split(" (")[0]);
      group.addLayer(written);
      const node = grip.getElement();
      if (!node || winds.length < 2) return;
      const values = {
        role: "slider",
        tabindex: 0,
        "aria-label": "Where the wind comes from: drag the arrow, or use the arrow keys",
        "aria-valuemin": 0,
        "aria-valuemax": 359,
        "aria-valuenow": Math.round(winds[number].from) % 360,
        "aria-valuetext": winds[number].words,
      };
      for (const [name, value] of Object.entries(values)) node.setAttribute(name, value);
    };
    const turnTo = (next) => {
      const wanted = (next + winds.length) % winds.length;
      if (wanted === number) return;
      number = wanted;
      draw();
      onTurn(number);
    };
    const nearest = (from) => {
      const off = (wind) => Math.abs(((wind.from - from + 540) % 360) - 180);
      return winds.reduce((best, wind, i) => (off(wind) < off(winds[best]) ? i : best), 0);
    };
    const listen = () => {
      const node = grip.getElement();
      if (!node || node.dataset.listens) return;
      node.dataset.listens = "yes";
      let behind = 0;
      const bearing = (event) => {
        const d = map.mouseEventToLayerPoint(event).subtract(anchor());
        return (Math.atan2(d.x, -d.y) * 180) / Math.PI;
      };
      const move = (event) => turnTo(nearest((bearing(event) + behind + 360) % 360));
      node.addEventListener("pointerdown", (event) => {
        L.DomEvent.stop(event);
        node.focus?.();
        node.setPointerCapture(event.pointerId);
        map.dragging.disable();
        // Held by its head, the arrow points away from where the wind comes from.
        const off = Math.abs(((bearing(event) - winds[number].from + 540) % 360) - 180);
        behind = off > 90 ? 180 : 0;
        node.addEventListener("pointermove", move);
      });
      for (const end of ["pointerup", "pointercancel"]) {
        node.addEventListener(end, () => {
          node.removeEventListener("pointermove", move);
          map.dragging.enable();
        });
      }
      for (const name of ["mousedown", "touchstart"]) L.DomEvent.on(node, name, L.DomEvent.stopPropagation);
      const keys = { ArrowLeft: -1, ArrowDown: -1, ArrowRight: 1, ArrowUp: 1, PageDown: -3, PageUp: 3 };
      node.addEventListener("keydown", (event) => {
        if (!(event.key in keys) && event.key !== "Home") return;
        L.DomEvent.stop(event);
        turnTo(event.key === "Home" ? 0 : number + keys[event.key]);
      });
    };
    grip.on("add", () => setTimeout(() => (draw(), listen())));
    map.on("zoomend resize", draw);
    group.redraw = () => {
      draw();
      if (winds.length > 1) listen();
    };
    group.turnTo = turnTo;
    group.moveTo = (place) => {
      home = place ?? arrow.at;
      draw();
    };
    return group;
  };
})();
