// Starts the page.
sitegeo.start = (map) => {
  const data = JSON.parse(document.getElementById("sheet-data").textContent);
  const { el } = sitegeo;
  const whole = L.latLngBounds(data.extent);
  const plan = data.around ? L.latLngBounds(data.around.view) : whole;
  const still = { animate: false };

  // Room at the sides for the lettering, which keeps its size when the drawing shrinks.
  const showPlan = () => map.fitBounds(plan, { ...still, padding: [46, 10] });

  map.getContainer().setAttribute("aria-label", "Chart; arrow keys move it, plus and minus zoom");
  map.setMaxBounds(whole.pad(0.6));
  showPlan();
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
  const buttons = [
    button("The plan", showPlan),
    button("Whole place", () => map.fitBounds(whole, still)),
    button(
      "Night",
      (node) => {
        const night = document.documentElement.classList.toggle("night");
        node.setAttribute("aria-pressed", String(night));
      },
      { "aria-pressed": "false", id: "night" },
    ),
    button("Print", () => window.print()),
  ];

  let blinds = null;
  const pick = (id, fromList) => {
    const open = blinds.open(id);
    chart.mark(open ? id : null);
    const blind = data.blinds.find((b) => b.id === id);
    if (fromList && open) {
      if (blind.chosen) showPlan();
      else map.setView(blind.at, Math.min(map.getZoom(), 17.5), still);
    }
    if (!fromList) blinds.reveal(id);
  };
  const chart = sitegeo.chart(map, data, pick);
  blinds = sitegeo.sheet(map, data, chart, buttons, pick);
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
