"use strict";
// Everything of ours hangs on this one name.
const sitegeo = {};

(() => {
  const SVG = "http://www.w3.org/2000/svg";

  const filled = (node, attributes, children) => {
    for (const [name, value] of Object.entries(attributes)) {
      if (value !== null && value !== undefined) node.setAttribute(name, value);
    }
    // Strings become text nodes: nothing from the data is ever read as markup.
    node.append(...children.filter((c) => c !== null && c !== undefined && c !== ""));
    return node;
  };
  sitegeo.el = (tag, attributes = {}, ...children) =>
    filled(document.createElement(tag), attributes, children);
  sitegeo.svg = (tag, attributes = {}, ...children) =>
    filled(document.createElementNS(SVG, tag), attributes, children);

  // Tile size and path of each hatching: shapes are told apart by these, not by colour.
  const HATCHES = JSON.parse(document.getElementById("hatches").textContent);

  sitegeo.part = (name) => {
    const stem = name.toLowerCase().replace(/[\s\d_]+$/, "");
    return stem in HATCHES ? stem : "other";
  };
  // Names are carried in capitals on a receiver; on the sheet they are words.
  sitegeo.spoken = (name) => (name === name.toUpperCase() ? name.toLowerCase() : name);
  sitegeo.sentence = (words) => words.slice(0, 1).toUpperCase() + words.slice(1);
  sitegeo.hatch = (name) => `url(#hatch-${name in HATCHES ? name : "other"})`;

  sitegeo.defineHatches = () => {
    const { svg } = sitegeo;
    const patterns = Object.entries(HATCHES).map(([name, [size, lines]]) =>
      svg(
        "pattern",
        { id: `hatch-${name}`, width: size, height: size, patternUnits: "userSpaceOnUse" },
        svg("rect", { width: size, height: size, class: `wash wash-${name}` }),
        svg("path", { d: lines, class: `hatch hatch-${name}` }),
      ),
    );
    const head = svg(
      "marker",
      { id: "head", viewBox: "-9 -5 10 10", refX: 0, markerWidth: 10, markerHeight: 10, orient: "auto", markerUnits: "userSpaceOnUse" },
      svg("path", { d: "M-8,-4 L0,0 L-8,4", class: "head" }),
    );
    document.body.append(
      svg("svg", { class: "hatches", "aria-hidden": "true" }, svg("defs", {}, ...patterns, head)),
    );
  };

  // A small sample for the legend and the table, drawn as on the chart.
  sitegeo.swatch = (look, fill = "none") => {
    const { svg } = sitegeo;
    const line = look.includes("line");
    const sample = line
      ? [svg("path", { d: "M2,9 H32", class: look })]
      : [svg("rect", { x: 1.5, y: 1.5, width: 31, height: 15, class: look, fill })];
    if (look.includes("cased")) sample.push(svg("path", { d: "M2,9 H32", class: "line road-top" }));
    return svg("svg", { width: 34, height: 18, class: "swatch", "aria-hidden": "true" }, ...sample);
  };

  sitegeo.markSwatch = (look, d, figure = "") => {
    const { svg } = sitegeo;
    return svg(
      "svg",
      { width: 34, height: 18, class: "swatch", "aria-hidden": "true" },
      svg("path", { d, class: look }),
      figure && svg("text", { x: 17, y: 13.5, class: "figure" }, figure),
    );
  };

  // A mark of fixed meaning drawn at a point; `draw(point, radius)` gives the path.
  sitegeo.Glyph = L.CircleMarker.extend({
    _updatePath() {
      this._renderer._setPath(this, this.options.draw(this._point, this.options.size()));
    },
  });

  const circle = (x, y, r) => `M${x - r},${y} a${r},${r} 0 1,0 ${2 * r},0 a${r},${r} 0 1,0 ${-2 * r},0`;

  // A decoy: its head to the wind; in a calm, a dot.
  sitegeo.drawDecoy = (fromDeg) => (p, r) => {
    if (fromDeg === null) return circle(p.x, p.y, r * 0.7);
    const a = (fromDeg * Math.PI) / 180;
    const [e, n] = [Math.sin(a), -Math.cos(a)];
    return (
      `M${p.x - e * r * 1.3},${p.y - n * r * 1.3} L${p.x + e * r},${p.y + n * r} ` +
      circle(p.x + e * r * 0.6, p.y + n * r * 0.6, r * 0.55)
    );
  };
  sitegeo.drawMotion = (p, r) =>
    [0, 60, 120]
      .map((deg) => {
        const [c, s] = [Math.cos((deg * Math.PI) / 180) * r, Math.sin((deg * Math.PI) / 180) * r];
        return `M${p.x - c},${p.y - s} L${p.x + c},${p.y + s}`;
      })
      .join(" ");
  sitegeo.drawSquare = (p, r) => `M${p.x - r},${p.y - r} h${2 * r} v${2 * r} h${-2 * r} z`;
  sitegeo.drawCross = (p, r) =>
    `M${p.x - r},${p.y} H${p.x + r} M${p.x},${p.y - r} V${p.y + r}`;
  sitegeo.drawRing = (p, r) => circle(p.x, p.y, r);
})();
