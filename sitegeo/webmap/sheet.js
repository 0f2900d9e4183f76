// The title block: the plan, the blinds and the legend in words.
(() => {
  // Blinds shown before one asks for the rest.
  sitegeo.FIRST = 8;
  const LAYER_WORDS = {
    water: "water",
    public_land: "public land, mapped boundary",
    huntable: "ground left by the rules and layers given",
    closed_areas: "closed area",
    setbacks: "setback",
    roads: "road",
    bank_exposure: "wind on the banks",
    lee: "sheltered water, where birds rest in a blow",
    strip: "calm strip along the bank",
    banks: "wind on the banks",
    sheltered_water: "sheltered water, where birds rest in a blow",
    beaten_bank: "wind-beaten bank, unsheltered",
    positions: "places for a blind; tree lines dotted",
    stations: "shore stations",
    dwellings: "dwelling, as mapped",
  };
  const OFF_AT_FIRST = new Set(["huntable", "stations", "bank_exposure", "sheltered_water", "beaten_bank"]);
  const HATCHED = new Set(["setbacks", "closed_areas"]);
  // Drawn anew for every wind of a turning map.
  const WINDY = new Set(["bank_exposure", "sheltered_water", "beaten_bank"]);
  const BANKS = [
    ["beaten", "wind-beaten bank"],
    ["along", "wind along the bank"],
    ["sheltered", "sheltered bank"],
  ];

  const box = (title, name, ...children) =>
    sitegeo.el(
      "section",
      { class: `box ${name}`, "aria-labelledby": `head-${name}` },
      sitegeo.el("h2", { id: `head-${name}` }, title),
      ...children,
    );
  const list = (sentences, className) =>
    sitegeo.el("ul", { class: className }, ...sentences.map((s) => sitegeo.el("li", {}, sitegeo.sentence(s))));

  const heading = (data, buttons, onBack) => {
    const { el } = sitegeo;
    const words = el("p", { class: "wind-words", "aria-live": "polite" }, `Wind ${data.wind.words}`);
    const back = el("button", { type: "button", class: "back", hidden: "" }, `Back to ${data.wind.words}`);
    const hint = data.turn && data.around?.arrow
      ? el("p", { class: "hint" }, "Drag the arrow on the water to turn the wind.")
      : null;
    back.addEventListener("click", onBack);
    const node = el(
      "header",
      { class: "box heading" },
      el("h1", {}, data.title),
      words,
      back,
      hint,
      el("div", { class: "buttons" }, ...buttons),
    );
    const show = (state) => {
      words.textContent = `Wind ${state.words}`;
      back.hidden = state.wind === 0;
      if (hint) hint.hidden = state.wind !== 0;
    };
    return { node, show };
  };

  const theBlind = (data, state) => {
    const { el } = sitegeo;
    const blind = state.blind;
    const place = blind?.rank ? `rank ${blind.rank}` : "not ranked in this wind";
    const name = blind ? `Blind ${blind.id}, ${blind.kind}` : "No blind chosen";
    const setting = blind
      ? [blind.layout, blind.side && `wind ${blind.side}`, state.wind && place]
          .filter(Boolean)
          .join("; ")
      : "";
    return box(
      name,
      "blind-box",
      setting && el("p", { class: "setting" }, setting),
      el("p", { class: "headline" }, state.headline),
      state.hide &&
        el(
          "p",
          { class: "where" },
          `Hide at ${state.hide[0].toFixed(5)}, ${state.hide[1].toFixed(5)} (WGS 84); `,
          `USNG ${sitegeo.usng(...state.hide)}`,
        ),
    );
  };

  const settingOut = (data, state) => {
    const items = state.items.filter((i) => ["group", "pocket", "motion", "jerk_line"].includes(i.role));
    if (!items.length) return null;
    const { el } = sitegeo;
    const cell = (value, words) => el("td", { class: "number" }, value === null ? "" : words(value));
    const north = items.some((i) => i.bearing_magnetic !== null);
    const rows = items.map((item) =>
      el(
        "tr",
        {},
        el(
          "th",
          { scope: "row" },
          item.role === "group"
            ? sitegeo.swatch("shape", sitegeo.hatch(sitegeo.part(item.name)))
            : sitegeo.swatch(item.role === "pocket" ? "shape plan-pocket" : "shape none"),
          el("span", {}, sitegeo.spoken(item.name) || item.role),
        ),
        cell(item.count, String),
        cell(item.range_yd, (r) => sitegeo.lengthText(r, data.units)),
        cell(item.bearing_true, sitegeo.bearingText),
        north ? cell(item.bearing_magnetic, sitegeo.bearingText) : null,
      ),
    );
    const notes = items
      .filter((i) => i.note)
      .map((i) => `${sitegeo.sentence(sitegeo.spoken(i.name))}: ${i.note}.`)
      .join(" ");
    const head = ["", "decoys", "from hide", "true", ...(north ? ["magnetic"] : [])];
    return box(
      "To set out, in this order",
      "setting-out",
      el(
        "table",
        {},
        el("thead", {}, el("tr", {}, ...head.map((h) => el("th", { scope: "col" }, h)))),
        el("tbody", {}, ...rows),
      ),
      notes && el("p", { class: "note" }, notes),
    );
  };

  const GRADES = { g: "good", f: "fair", p: "poor" };
  const gradeWords = (data, grades) =>
    [...grades].map((g, i) => `${data.turn.components[i]} ${GRADES[g]}`).join(", ");

  const blindList = (data, onPick) => {
    const { el } = sitegeo;
    const entries = new Map();
    for (const blind of data.blinds) {
      const figure = el("b", {});
      const words = el("span", {});
      const drawn = el("i", {});
      const detail = el("div", { class: "why", hidden: "" });
      const button = el("button", { type: "button", "aria-expanded": "false" }, figure, words, drawn);
      button.addEventListener("click", () => onPick(blind.id, true));
      entries.set(blind.id, { button, detail, figure, words, drawn, item: el("li", {}, button, detail) });
    }
    const order = el("ol", {});
    const title = el("h2", { id: "head-blinds" }, "Blinds for this wind, best first");
    const more = el("button", { type: "button", class: "more", "aria-expanded": "false" });
    let rest = 0;
    const count = () => {
      const all = document.documentElement.classList.contains("all-blinds");
      more.textContent = all ? "Show fewer" : `Show ${rest} more`;
      more.setAttribute("aria-expanded", String(all));
      more.hidden = rest <= 0;
    };
    more.addEventListener("click", () => {
      document.documentElement.classList.toggle("all-blinds");
      count();
    });
    const node = el(
      "section",
      { class: "box blinds", "aria-labelledby": "head-blinds" },
      title,
      entries.size ? order : el("p", {}, "No blind works in this wind."),
      more,
    );
    const show = (state) => {
      rest = state.ranked.length - sitegeo.FIRST;
      count();
      order.replaceChildren(
        ...state.ranked.map((blind) => {
          const entry = entries.get(blind.id);
          const words = [blind.kind, blind.layout, blind.side && `wind ${blind.side}`];
          entry.figure.textContent = String(blind.rank);
          entry.words.textContent = `${blind.id}: ${words.filter(Boolean).join(", ")}`;
          entry.drawn.textContent = blind.id === state.drawn ? "drawn" : "";
          entry.item.className = `${blind.id === state.drawn ? "chosen" : ""} ${blind.rank > sitegeo.FIRST ? "later" : ""}`;
          entry.detail.id = `why-${blind.rank}`;
          entry.button.setAttribute("aria-controls", entry.detail.id);
          entry.detail.replaceChildren(
            ...[
              blind.why && el("p", {}, `${sitegeo.sentence(blind.why)}.`),
              blind.grades && el("p", {}, `${sitegeo.sentence(gradeWords(data, blind.grades))}.`),
              blind.verdict && el("p", {}, sitegeo.sentence(blind.verdict)),
              blind.cautions.length ? list(blind.cautions, "") : "",
              !state.spreads.has(blind.id) &&
                el("p", { class: "note" }, `Its spread for this wind is not in this file: sitegeo plan --blind ${blind.id} --wind "${state.plain}" draws it.`),
            ].filter(Boolean),
          );
          return entry.item;
        }),
      );
    };
    const open = (id) => {
      const entry = entries.get(id);
      if (!entry) return false;
      const now = entry.detail.hidden;
      for (const each of entries.values()) {
        each.detail.hidden = true;
        each.button.setAttribute("aria-expanded", "false");
      }
      entry.detail.hidden = !now;
      entry.button.setAttribute("aria-expanded", String(now));
      return now;
    };
    const reveal = (id) => entries.get(id)?.button.scrollIntoView({ block: "nearest" });
    return { node, show, open, reveal };
  };

  const switchRow = (map, layers, name, words, sample, on) => {
    const { el } = sitegeo;
    const input = el("input", { type: "checkbox", id: `switch-${name}` });
    input.checked = on;
    const show = () => {
      for (const layer of layers) input.checked ? map.addLayer(layer) : map.removeLayer(layer);
    };
    input.addEventListener("change", show);
    show();
    return el("li", {}, el("label", { for: `switch-${name}` }, input, sample, el("span", {}, words)));
  };

  const legend = (map, data, layers) => {
    const { el, swatch, markSwatch, hatch } = sitegeo;
    const has = (role) => data.plan.some((i) => i.role === role);
    const row = (names, words, sample, on = true) =>
      switchRow(map, names.map((n) => layers[n]), names[0], words, sample, on);
    const step = data.units === "yd" ? "yards" : "metres";
    const rows = [];
    const pane = map.getPane("photo");
    if (pane.children.length) {
      const input = el("input", { type: "checkbox", id: "switch-photo" });
      input.checked = true;
      input.addEventListener("change", () => pane.classList.toggle("off", !input.checked));
      rows.push(
        el("li", {}, el("label", { for: "switch-photo" }, input, swatch("shape photo-swatch"), el("span", {}, "aerial photo"))),
      );
    }
    rows.push(
      row(["pocket", "group", "jerk_line", "decoy", "motion", "hide"], "the spread, drawn to scale; decoys face the wind", swatch("shape", hatch("mass"))),
      row(["rings"], `${step} from the hide, by tens`, swatch("shape line ring")),
      row(["wind"], "the way the wind blows", swatch("shape line wind-shaft")),
    );
    if (has("approach")) rows.push(row(["approach"], "the way birds come in", swatch("shape line plan-approach")));
    if (has("touchdown")) {
      rows.push(row(["touchdown"], "where birds should come down", swatch("shape plan-touchdown", hatch("touchdown"))));
    }
    if (has("fire_closed")) {
      rows.push(row(["fire_closed"], "no fire this way", swatch("shape plan-fire_closed", hatch("fire_closed"))));
    }
    if (has("route")) rows.push(row(["route"], "way in", swatch("shape line plan-route")));
    rows.push(row(["blinds"], "blinds by rank; the tick shows the front", markSwatch("shape boxed", "M9,1 h16 v16 h-16 z", "1")));
    if (data.turn) {
      rows.push(row(["strip"], el("span", { id: "strip-words" }), swatch("shape on-strip", hatch("strip"))));
      rows.push(row(["lee"], LAYER_WORDS.lee, swatch("shape on-lee", hatch("lee")), false));
      rows.push(row(["banks"], LAYER_WORDS.banks, swatch("shape line on-bank_exposure"), false));
      for (const [kind, bank] of BANKS) {
        rows.push(el("li", { class: "sub" }, swatch(`shape line on-bank_exposure kind-${kind}`), el("span", {}, bank)));
      }
    }
    for (const layer of [...data.layers].reverse()) {
      if (data.turn && WINDY.has(layer.name)) continue;
      const plain = layer.name.replaceAll("_", " ");
      if (layer.state !== "mapped") {
        rows.push(el("li", { class: "absent" }, `${plain}: ${layer.state}`));
        continue;
      }
      let words = LAYER_WORDS[layer.name];
      if (layer.name === "setbacks" && layer.verify) words += " under an example rule — verify";
      if (layer.short) words += ", in part drawn too small";
      const fill = HATCHED.has(layer.name) ? hatch(layer.name) : "none";
      const look = { roads: "line cased", positions: "line kind-tree-line", bank_exposure: "line", beaten_bank: "line" };
      const mark = { dwellings: "M12,5 h9 v9 h-9 z", stations: "M13,9 H21 M17,5 V13" }[layer.name];
      const sample = mark
        ? markSwatch(`shape on-${layer.name}`, mark)
        : swatch(`shape ${look[layer.name] ?? ""} on-${layer.name}`, fill);
      rows.push(row([layer.name], words, sample, !OFF_AT_FIRST.has(layer.name)));
      if (layer.name === "bank_exposure") {
        for (const [kind, bank] of BANKS) {
          rows.push(el("li", { class: "sub" }, swatch(`shape line on-bank_exposure kind-${kind}`), el("span", {}, bank)));
        }
      }
    }
    return box("Legend", "legend", el("ul", {}, ...rows));
  };

  const foot = (data) =>
    sitegeo.el(
      "footer",
      { class: "box foot" },
      sitegeo.el(
        "p",
        {},
        "A proposal. Current local law, the landowner and the managing agency decide; mapped layers miss things. Look before you shoot.",
      ),
      data.credits.length ? list(data.credits, "credits") : null,
      sitegeo.el("p", { class: "credits" }, "Drawn by sitegeo with folium and Leaflet."),
    );

  const careful = (data, state) => {
    const { el } = sitegeo;
    if (!state.cautions.length) return null;
    const asked = state.wind
      ? el("p", { class: "note" }, `Worked out for ${data.wind.words}; plan again for another wind. Arcs of no fire and touchdown are drawn for that wind alone.`)
      : null;
    return box("Take care", "cautions", asked, list(state.cautions, ""));
  };

  sitegeo.sheet = (map, data, chart, buttons, onPick, onBack) => {
    const blinds = blindList(data, onPick);
    const head = heading(data, buttons, onBack);
    const part = (name, ...boxes) => sitegeo.el("div", { class: name }, ...boxes);
    const plan = part("plan-part", head.node);
    document.getElementById("title-block").append(
      plan,
      part("place-part", blinds.node, legend(map, data, chart.layers), foot(data)),
    );
    const show = (state) => {
      head.show(state);
      blinds.show(state);
      const boxes = [
        theBlind(data, state),
        settingOut(data, state),
        state.verdicts.length ? box("Checked", "verdicts", list(state.verdicts, "")) : null,
        careful(data, state),
      ];
      plan.replaceChildren(head.node, ...boxes.filter(Boolean));
      const calm = document.getElementById("strip-words");
      if (calm && state.strips) {
        const { widest } = state.strips;
        const width = widest ? `up to ${sitegeo.lengthText(widest / 0.9144, data.units)} wide` : "none in this wind";
        calm.textContent = `${LAYER_WORDS.strip}: ${width}`;
      }
    };
    return { ...blinds, show };
  };
})();
