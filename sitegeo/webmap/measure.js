// Where the pointer is, and a distance and bearing measured between two places.
(() => {
  sitegeo.position = (map, data) => {
    const { el } = sitegeo;
    const where = el("span", { class: "at-degrees" });
    const grid = el("span", { class: "at-grid" });
    const measured = el("span", { class: "measured", "aria-live": "polite" });
    const box = el("div", { class: "position", "aria-label": "Position" }, measured, where, grid);
    const show = ({ lat, lng }, what) => {
      where.textContent = `${what} ${lat.toFixed(5)}, ${lng.toFixed(5)}`;
      grid.textContent = sitegeo.usng(lat, lng);
    };
    const centre = () => show(map.getCenter(), "centre");
    map.on("moveend", centre);
    map.on("mousemove", (event) => show(event.latlng, "pointer"));
    map.on("mouseout", centre);
    const control = L.control({ position: "bottomright" });
    control.onAdd = () => box;
    control.addTo(map);
    centre();
    return measured;
  };

  const words = (from, to, data) => {
    const found = sitegeo.inverse([from.lat, from.lng], [to.lat, to.lng]);
    if (!found) return "";
    const far = data.units === "yd" ? found.metres / 0.9144 : found.metres;
    const length = far < 100 ? far.toFixed(1) : Math.round(far).toLocaleString("en-US");
    return `${length} ${data.units}, ${sitegeo.bearingText(found.bearing)} true`;
  };

  // Two places picked with the pointer, or with Enter at the middle of the chart.
  sitegeo.measure = (map, data, told) => {
    let on = false;
    let ends = [];
    const look = { pane: "wind", interactive: false };
    const line = L.polyline([], { ...look, className: "shape measure-line" });
    const halo = L.polyline([], { ...look, className: "shape measure-halo" });
    const draw = (to) => {
      const places = to && ends.length === 1 ? [ends[0], to] : ends;
      halo.setLatLngs(places);
      line.setLatLngs(places);
      if (places.length === 2) told.textContent = words(...places, data);
      else told.textContent = on ? "pick where to measure from" : "";
    };
    const add = (at) => {
      if (!on) return;
      ends = ends.length === 2 ? [at] : [...ends, at];
      draw();
      if (ends.length === 1) told.textContent = "and where to";
    };
    map.on("click", (event) => add(event.latlng));
    map.on("mousemove", (event) => on && ends.length === 1 && draw(event.latlng));
    map.on("move", () => on && ends.length === 1 && draw(map.getCenter()));
    map.getContainer().addEventListener("keydown", (event) => {
      if (on && event.key === "Enter" && event.target === map.getContainer()) add(map.getCenter());
    });
    const toggle = () => {
      on = !on;
      ends = [];
      map.getContainer().classList.toggle("measuring", on);
      for (const each of [halo, line]) on ? each.addTo(map) : each.remove();
      draw();
      return on;
    };
    return toggle;
  };
})();
