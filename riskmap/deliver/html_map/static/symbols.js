/* Tree symbols: one path per shape, used on the canvas, in the key, in pop-ups and in print. */
const INK = "#1d2a33";

/** Polygon points and the like in a box from -1 to 1. */
const SHAPES = {
  circle: "M0 -.9A.9 .9 0 1 1 0 .9A.9 .9 0 1 1 0 -.9Z",
  ring: "M0 -.8A.8 .8 0 1 1 0 .8A.8 .8 0 1 1 0 -.8Z",
  dotted: "M0 -.8A.8 .8 0 1 1 0 .8A.8 .8 0 1 1 0 -.8Z",
  query: "M0 -.9A.9 .9 0 1 1 0 .9A.9 .9 0 1 1 0 -.9Z",
  speck: "M0 -.45A.45 .45 0 1 1 0 .45A.45 .45 0 1 1 0 -.45Z",
  square: "M-.82 -.82H.82V.82H-.82Z",
  up: "M0 -1L1 .8H-1Z",
  down: "M0 1L1 -.8H-1Z",
  diamond: "M0 -1.1L1 0L0 1.1L-1 0Z",
  hexagon: "M0 -1L.87 -.5V.5L0 1L-.87 .5V-.5Z",
  plus: "M-.36 -1H.36V-.36H1V.36H.36V1H-.36V.36H-1V-.36H-.36Z",
  star: "M0 -1.1L.29 -.36L1.05 -.34L.47 .15L.65 .89L0 .47L-.65 .89L-.47 .15L-1.05 -.34L-.29 -.36Z",
  bowtie: "M-1 -.8L0 -.25L1 -.8V.8L0 .25L-1 .8Z",
  drop: "M0 -1.1C.3 -.6 .8 -.2 .8 .3A.8 .75 0 0 1 -.8 .3C-.8 -.2 -.3 -.6 0 -1.1Z",
  house: "M0 -1L.95 -.15V.85H-.95V-.15Z",
  cross: "M-.95 -.55L-.55 -.95L0 -.4L.55 -.95L.95 -.55L.4 0L.95 .55L.55 .95L0 .4L-.55 .95L-.95 .55L-.4 0Z",
  half: "M-.95 .55A.95 .95 0 0 1 .95 .55Z",
  bar: "M-.42 -1.05H.42V1.05H-.42Z",
  lens: "M-1.15 0Q0 -1.3 1.15 0Q0 1.3 -1.15 0Z",
  pentagon: "M0 -1L.95 -.31L.59 .81H-.59L-.95 -.31Z",
  arrow_down: "M-.42 -1.15H.42V-.05H1.05L0 1.15L-1.05 -.05H-.42Z",
  arrow_up: "M-.42 1.15H.42V.05H1.05L0 -1.15L-1.05 .05H-.42Z",
  arrow_both: "M0 -1.3L.95 -.4H.4V.4H.95L0 1.3L-.95 .4H-.4V-.4H-.95Z",
  arrow_wide: "M-1.3 0L-.4 -.95V-.4H.4V-.95L1.3 0L.4 .95V.4H-.4V.95Z",
};
const MARKS = { query: "M-.3 -.25A.32 .32 0 1 1 .08 .06Q0 .1 0 .3M0 .5V.58", dotted: "M0 -.12A.12 .12 0 1 1 0 .12A.12 .12 0 1 1 0 -.12Z" };

function drawSymbol(context, symbol, x, y, size) {
  const path = new Path2D(SHAPES[symbol.shape]);
  context.save();
  context.translate(x, y);
  context.scale(size, size);
  context.lineJoin = "round";
  context.strokeStyle = "#ffffff";
  context.lineWidth = Math.min(5, 1.1 * size) / size; // a small symbol has a thin halo
  context.stroke(path);
  if (symbol.shape === "ring") {
    context.fillStyle = "#ffffff";
    context.fill(path);
    context.strokeStyle = symbol.fill;
    context.lineWidth = Math.min(2.6, 0.5 * size) / size;
    context.stroke(path);
  } else {
    context.fillStyle = symbol.fill;
    context.fill(path);
    context.strokeStyle = INK;
    context.lineWidth = 1.3 / size;
    context.stroke(path);
  }
  if (MARKS[symbol.shape]) {
    context.lineWidth = 1.8 / size;
    context.strokeStyle = INK;
    context.lineCap = "round";
    context.stroke(new Path2D(MARKS[symbol.shape]));
  }
  context.restore();
}

const SVG = "http://www.w3.org/2000/svg";

function svgPart(tag, attributes) {
  const part = document.createElementNS(SVG, tag);
  for (const [name, value] of Object.entries(attributes)) part.setAttribute(name, value);
  return part;
}

/** The symbol as a small picture for keys and pop-ups; `size` is its half width in pixels. */
function symbolPicture(symbol, size = 7) {
  const picture = svgPart("svg", { viewBox: "-1.5 -1.5 3 3", width: 3 * size, height: 3 * size, class: "symbol", "aria-hidden": "true" });
  const ring = symbol.shape === "ring";
  picture.append(svgPart("path", { d: SHAPES[symbol.shape], fill: ring ? "#ffffff" : symbol.fill,
    stroke: ring ? symbol.fill : INK, "stroke-width": (ring ? 2.6 : 1.3) / size, "stroke-linejoin": "round" }));
  if (MARKS[symbol.shape])
    picture.append(svgPart("path", { d: MARKS[symbol.shape], fill: "none", stroke: INK, "stroke-width": 1.8 / size, "stroke-linecap": "round" }));
  return picture;
}

/** A ground layer's or a band's patch for keys. */
function patchPicture(style, lineOnly = false) {
  const picture = svgPart("svg", { viewBox: "0 0 26 16", width: 26, height: 16, class: "symbol", "aria-hidden": "true" });
  const common = { stroke: style.edge, "stroke-width": Math.max(style.weight ?? 1, 1), "stroke-dasharray": style.dash ?? "" };
  if (lineOnly) picture.append(svgPart("path", { d: "M1 8H25", fill: "none", ...common, "stroke-width": 2.4 }));
  else picture.append(svgPart("rect", { x: 1, y: 1, width: 24, height: 14, fill: style.fill, "fill-opacity": style.opacity ?? 1, ...common }));
  return picture;
}
