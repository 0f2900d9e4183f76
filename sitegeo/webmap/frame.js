// The neat line with its degrees, the bar of yards, and north.
(() => {
  const STEPS_SECONDS = [
    0.05, 0.1, 0.2, 0.5, 1, 2, 5, 10, 15, 30, 60, 120, 300, 600, 1800, 3600, 7200, 18000,
  ];
  const BAR_STEPS = [1, 2, 5, 10, 20, 50, 100, 200, 250, 500, 1000, 2000, 5000, 10000];
  const MARGIN = 26;
  const BAND = 6;

  sitegeo.metresPerPixel = (map, scale) => {
    const size = map.getSize();
    const y = size.y / 2;
    const a = map.containerPointToLatLng([0, y]);
    const b = map.containerPointToLatLng([100, y]);
    return ((b.lng - a.lng) * scale.lon_m) / 100;
  };

  const degreesText = (degrees, step, letters) => {
    const digits = step < 0.1 ? 2 : step < 1 ? 1 : 0;
    let seconds = Math.round(Math.abs(degrees) * 3600 * 10 ** digits) / 10 ** digits;
    const whole = Math.floor(seconds / 3600);
    const minutes = Math.floor((seconds - whole * 3600) / 60);
    seconds -= whole * 3600 + minutes * 60;
    const two = (n) => String(n).padStart(2, "0");
    const tail = step < 60 ? `${seconds.toFixed(digits).padStart(digits ? digits + 3 : 2, "0")}″` : "";
    return `${whole}°${two(minutes)}′${tail}${degrees < 0 ? letters[1] : letters[0]}`;
  };

  // Multiples of a fifth of the labelled step between two degrees, and which carry a figure.
  const ticks = (low, high, pixels, apart) => {
    const perSecond = pixels / ((high - low) * 3600);
    const step = STEPS_SECONDS.find((s) => s * perSecond >= apart) ?? STEPS_SECONDS.at(-1);
    const fine = step / 5;
    const first = Math.ceil((low * 3600) / fine);
    const last = Math.floor((high * 3600) / fine);
    const found = [];
    for (let i = first - 1; i <= last + 1; i += 1) {
      found.push({ at: (i * fine) / 3600, index: i, figure: i % 5 === 0, step });
    }
    return found;
  };

  sitegeo.neatLine = (map) => {
    const { svg } = sitegeo;
    const box = map.getContainer().parentElement;
    const drawing = svg("svg", { class: "neat-line", "aria-hidden": "true" });
    box.append(drawing);

    const edge = (marks, low, high, place, horizontal, far) => {
      const parts = [];
      const span = ([from, to], index) => {
        const [a, b] = [Math.max(low, from), Math.min(high, to)];
        if (b <= a || index % 2) return;
        const across = far - BAND;
        parts.push(
          svg("rect", {
            class: "zebra",
            x: horizontal ? a : across,
            y: horizontal ? across : a,
            width: horizontal ? b - a : BAND,
            height: horizontal ? BAND : b - a,
          }),
        );
      };
      marks.forEach((mark, i) => {
        const next = marks[i + 1];
        if (next) {
          const ends = [place(mark.at), place(next.at)].sort((p, q) => p - q);
          span(ends, Math.abs(mark.index));
        }
      });
      return parts;
    };

    const draw = () => {
      const { x: width, y: height } = map.getSize();
      const bounds = map.getBounds();
      const centre = map.getCenter();
      const x = (lng) => MARGIN + map.latLngToContainerPoint([centre.lat, lng]).x;
      const y = (lat) => MARGIN + map.latLngToContainerPoint([lat, centre.lng]).y;
      const lngs = ticks(bounds.getWest(), bounds.getEast(), width, 130);
      const lats = ticks(bounds.getSouth(), bounds.getNorth(), height, 130);
      const parts = [
        ...edge(lngs, MARGIN, MARGIN + width, x, true, MARGIN),
        ...edge(lngs, MARGIN, MARGIN + width, x, true, MARGIN + height + BAND),
        ...edge(lats, MARGIN, MARGIN + height, y, false, MARGIN),
        ...edge(lats, MARGIN, MARGIN + height, y, false, MARGIN + width + BAND),
      ];
      const rect = (grow, className) =>
        svg("rect", {
          class: className,
          x: MARGIN - grow,
          y: MARGIN - grow,
          width: width + 2 * grow,
          height: height + 2 * grow,
        });
      parts.push(rect(0, "thin"), rect(BAND, "thin"), rect(MARGIN - 3, "heavy"));
      const text = (px, py, words, turn) =>
        svg(
          "text",
          { x: px, y: py, class: "figure", transform: turn ? `rotate(-90 ${px} ${py})` : null },
          words,
        );
      for (const mark of lngs.filter((m) => m.figure)) {
        const px = x(mark.at);
        if (px < MARGIN + 45 || px > MARGIN + width - 45) continue;
        const words = degreesText(mark.at, mark.step, "EW");
        parts.push(text(px, MARGIN - BAND - 5, words), text(px, MARGIN + height + BAND + 12, words));
      }
      for (const mark of lats.filter((m) => m.figure)) {
        const py = y(mark.at);
        if (py < MARGIN + 45 || py > MARGIN + height - 45) continue;
        const words = degreesText(mark.at, mark.step, "NS");
        parts.push(
          text(MARGIN - BAND - 5, py, words, true),
          text(MARGIN + width + BAND + 12, py, words, true),
        );
      }
      drawing.replaceChildren(...parts);
    };
    map.on("move zoomend resize viewreset", draw);
    draw();
  };

  sitegeo.scaleBar = (map, data) => {
    const { svg, el } = sitegeo;
    const metres = data.units === "yd" ? 0.9144 : 1;
    const word = data.units === "yd" ? "yards" : "metres";
    const bar = el("div", { class: "scale-bar", role: "img" });
    const draw = () => {
      const unit = metres / sitegeo.metresPerPixel(map, data.scale);
      const wanted = Math.min(230, map.getSize().x * 0.4);
      const step = BAR_STEPS.findLast((s) => 4 * s * unit <= wanted) ?? 1;
      const px = step * unit;
      const drawing = svg("svg", { width: 4 * px + 74, height: 30 });
      for (let i = 0; i < 4; i += 1) {
        drawing.append(
          svg("rect", {
            class: i % 2 ? "zebra-off" : "zebra",
            x: 8 + i * px,
            y: 17,
            width: px,
            height: 7,
          }),
        );
      }
      for (let i = 0; i <= 4; i += 1) {
        if (px < 24 && i % 2) continue;
        drawing.append(svg("text", { x: 8 + i * px, y: 12, class: "figure" }, String(i * step)));
      }
      drawing.append(svg("text", { x: 14 + 4 * px, y: 25, class: "figure start" }, word));
      bar.replaceChildren(drawing);
      bar.setAttribute("aria-label", `Scale: the bar is ${4 * step} ${word} long`);
    };
    const control = L.control({ position: "bottomleft" });
    control.onAdd = () => bar;
    control.addTo(map);
    map.on("zoomend resize moveend", draw);
    draw();
  };

  sitegeo.northArrow = (map) => {
    const { svg, el } = sitegeo;
    const control = L.control({ position: "topright" });
    control.onAdd = () =>
      el(
        "div",
        { class: "north", role: "img", "aria-label": "True north is up" },
        svg(
          "svg",
          { width: 24, height: 72 },
          svg("path", { class: "north-shaft", d: "M12,70 V22" }),
          svg("path", { class: "north-head", d: "M12,16 L17,34 L12,30 z" }),
          svg("path", { class: "north-shaft", d: "M12,16 L7,34 L12,30" }),
          svg("text", { x: 12, y: 12, class: "figure north-letter" }, "N"),
        ),
      );
    control.addTo(map);
  };
})();
