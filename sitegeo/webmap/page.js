// Starts the page.
sitegeo.start = (map) => {
  const data = JSON.parse(document.getElementById("sheet-data").textContent);
  const { el } = sitegeo;
  const { x: width, y: height } = map.getSize();
  if (data.around && height > 1.15 * width) Object.assign(data.around, data.around.tall);
  const whole = L.latLngBounds(data.extent);
  const plan = data.around ? L.latLngBounds(data.around.view) : whole;
  const still = { animate: false };

  map.getContainer().setAttribute("aria-label", "Chart; arrow keys move it, plus and minus zoom");
  map.setMaxBounds(whole.pad(0.6));
  map.fitBounds(plan, { ...still, padding: [46, 10] });
  sitegeo.defineHatches();
  sitegeo.neatLine(map);
  sitegeo.scaleBar(map, data);
  sitegeo.northArrow(map);
  L.control.zoom({ position: "topleft", zoomInText: "+", zoomOutText: "−" }).addTo(map);

  const button = (words, act, attributes = {}) => {
    const node = el("button", { type: "button", ...attributes }, words);
    node.addEventListener("click", () => act(node));
    return node;
  };
  const told = sitegeo.position(map, data);
  const measure = sitegeo.measure(map, data, told);
  const pressed = (node, on) => node.setAttribute("aria-pressed", String(on));
  const buttons = [
    button("The plan", () => showPlan()),
    button("Whole place", () => map.fitBounds(whole, still)),
    button("Measure", (node) => pressed(node, measure()), { "aria-pressed": "false" }),
    button(
      "Night",
      (node) => pressed(node, document.documentElement.classList.toggle("night")),
      { "aria-pressed": "false", id: "night" },
    ),
    button("Print", () => window.print()),
  ];

  const winds = sitegeo.winds(data);
  const chosen = data.blinds.find((b) => b.chosen)?.id ?? null;
  const now = { wind: 0, drawn: chosen };

  // Spreads in this file for a wind, by blind; those of the plan's wind have all that is drawn.
  const spreadsOf = (wind) => {
    const drawn = wind === 0 ? { ...data.drawn } : data.turn.winds[wind].drawn;
    return new Map([...Object.entries(drawn), ...(wind === 0 && chosen ? [[chosen, null]] : [])]);
  };
  const stateOf = ({ wind, drawn }) => {
    const ranked = sitegeo.ranked(data, wind);
    const spreads = spreadsOf(wind);
    const id = spreads.has(drawn) ? drawn : chosen;
    // A blind that this wind leaves out keeps its place on the chart and has no rank.
    const known = data.blinds.find((b) => b.id === id);
    const left = known && { ...known, rank: null, layout: "", side: "", why: "" };
    const blind = ranked.find((b) => b.id === id) ?? left;
    const own = wind === 0 && id === chosen;
    const spread = own ? { items: data.plan, figures: data.around?.figures } : spreads.get(id);
    const ways = own ? [] : data.plan.filter((i) => id === chosen && ["access", "route"].includes(i.role));
    const refused = spread?.items.find((i) => i.role === "hide")?.note.split("no spread: ")[1];
    const hide = id === chosen ? (data.around?.hide ?? null) : (blind?.at ?? null);
    const facing = blind?.facing ?? data.around?.facing ?? null;
    const headline = refused ? `No spread here: ${refused}` : `${sitegeo.sentence(blind?.why ?? "")}.`;
    return {
      wind,
      from: winds[wind]?.from ?? null,
      words: winds[wind]?.words ?? data.wind.words,
      plain: (winds[wind]?.words ?? "").replace(/^\S+ (.*) \(from (\d+)°\)$/, "$2° $1"),
      ranked,
      spreads,
      drawn: id,
      blind,
      hide,
      facing,
      figures: spread?.figures ?? facing ?? 0,
      items: [...(spread?.items ?? []), ...ways],
      headline: own ? data.headline : headline,
      verdicts: id === chosen ? data.verdicts : (blind?.verdict.split(" · ") ?? []),
      cautions: id === chosen ? data.cautions : (blind?.cautions ?? []),
      strips: hide ? chart.strips(wind, hide) : null,
      arrow: id === chosen || !hide ? null : sitegeo.offset(hide, facing ?? 0, 62, data.scale),
    };
  };
  let blinds = null;
  let state = null;
  const show = () => {
    state = stateOf(now);
    chart.show(state);
    blinds.show(state);
  };
  const pick = (id, fromList) => {
    const open = blinds.open(id);
    if (open && spreadsOf(now.wind).has(id) && id !== state.drawn) {
      now.drawn = id;
      show();
    }
    chart.mark(open ? id : null);
    if (fromList && open) {
      if (id === state.drawn) showPlan();
      else map.setView(data.blinds.find((b) => b.id === id).at, Math.min(map.getZoom(), 17.5), still);
    }
    if (!fromList) blinds.reveal(id);
  };
  const turn = (wind) => {
    now.wind = wind;
    show();
  };
  const chart = sitegeo.chart(map, data, pick, turn);
  // Room at the sides for the lettering, which keeps its size when the drawing shrinks.
  const showPlan = () => {
    const about = state && state.drawn !== chosen && state.hide;
    const corners = [45, 135, 225, 315].map((b) => sitegeo.offset(state?.hide ?? [0, 0], b, 62, data.scale));
    map.fitBounds(about ? L.latLngBounds(corners) : plan, { ...still, padding: [46, 10] });
  };
  blinds = sitegeo.sheet(map, data, chart, buttons, pick, () => chart.turnTo(0));
  show();
  chart.settle();

  // Paper has another shape than the window: refit the same view to it, then come back.
  let seen = null;
  window.addEventListener("beforeprint", () => {
    seen = [map.getCenter(), map.getZoom()];
    const bounds = map.getBounds();
    document.documentElement.classList.add("printing");
    map.invalidateSize(still);
    if (plan.contains(bounds.getCenter())) showPlan();
    else map.fitBounds(bounds, still);
  });
  window.addEventListener("afterprint", () => {
    document.documentElement.classList.remove("printing");
    map.invalidateSize(still);
    if (seen) map.setView(...seen, still);
  });
  document.documentElement.classList.add("ready");
};
