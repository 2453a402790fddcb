// Lines that follow the glass: the server says where heights fall in the photo, in steps of 5 mm.

const SVG = "http://www.w3.org/2000/svg";

export function element(name, attributes = {}, ...children) {
  const made = document.createElementNS(SVG, name);
  for (const [key, value] of Object.entries(attributes)) made.setAttribute(key, value);
  made.append(...children);
  return made;
}

function row(glass, piece, mm) {
  const heights = glass.heights_mm;
  const last = heights.length - 1;
  const at = Math.min(Math.max((mm - heights[0]) / (heights[1] - heights[0]), 0), last);
  const below = Math.min(Math.floor(at), last - 1);
  const part = at - below;
  return piece[below].map(([x, y], i) => {
    const [x2, y2] = piece[below + 1][i];
    return [x + part * (x2 - x), y + part * (y2 - y)];
  });
}

export function path(glass, mm) {
  return glass.pieces.map((piece) =>
    "M" + row(glass, piece, mm).map(([x, y]) => `${x.toFixed(1)} ${y.toFixed(1)}`).join("L")
  ).join("");
}

export function rightEnd(glass, mm) {
  return glass.pieces.flatMap((piece) => row(glass, piece, mm))
    .reduce((far, one) => (one[0] > far[0] ? one : far));
}

function yAt(points, x) {
  let near = points[0];
  for (const one of points) if (Math.abs(one[0] - x) < Math.abs(near[0] - x)) near = one;
  const i = points.indexOf(near);
  const other = points[x > near[0] ? Math.min(i + 1, points.length - 1) : Math.max(i - 1, 0)];
  if (other === near || other[0] === near[0]) return near[1];
  const part = Math.min(Math.max((x - near[0]) / (other[0] - near[0]), 0), 1);
  return near[1] + part * (other[1] - near[1]);
}

// The height at a place in the photo: at the piece of wall that is nearest sideways.
export function heightAt(glass, x, y) {
  const apart = (piece) => Math.min(...piece[0].map(([px]) => Math.abs(px - x)));
  const piece = glass.pieces.reduce((best, one) => (apart(one) < apart(best) ? one : best));
  let low = glass.heights_mm[0];
  let high = glass.heights_mm[glass.heights_mm.length - 1];
  for (let i = 0; i < 40; i += 1) {
    const middle = (low + high) / 2;
    if (yAt(row(glass, piece, middle), x) > y) low = middle; else high = middle;
  }
  return (low + high) / 2;
}

// What is to be seen of the photo: the whole jar, or its wall between two heights.
export function frame(glass, size, low = -Infinity, high = Infinity) {
  const shown = glass.heights_mm.map((mm) => mm >= low - 5 && mm <= high + 5);
  const places = glass.pieces.map((piece) => piece.filter((_, i) => shown[i])).flat(2);
  const xs = places.map(([x]) => x);
  const ys = places.map(([, y]) => y);
  const wide = Math.max(...xs) - Math.min(...xs);
  const beside = (low === -Infinity ? 0.45 : 0.2) * wide;
  const left = Math.max(Math.min(...xs) - beside, 0);
  const right = Math.min(Math.max(...xs) + beside, size[1]);
  const top = Math.max(Math.min(...ys), 0);
  const bottom = Math.min(Math.max(...ys) + 0.03 * size[0], size[0]);
  return [left, top, right - left, bottom - top];
}

// Move numbers as little as may be until each two are so far from each other (isotonic regression
// by pooling neighbours that are in each other's way).
function apart(places, least) {
  const order = places.map((at, i) => i).sort((a, b) => places[a] - places[b]);
  const pools = [];
  order.forEach((i, rank) => {
    pools.push({ sum: places[i] - rank * least, own: [i] });
    for (let n = pools.length - 1; n > 0 && pools[n - 1].sum / pools[n - 1].own.length > pools[n].sum / pools[n].own.length; n -= 1) {
      const last = pools.pop();
      pools[n - 1].sum += last.sum;
      pools[n - 1].own.push(...last.own);
    }
  });
  const moved = [];
  let rank = 0;
  for (const { sum, own } of pools) for (const i of own) { moved[i] = sum / own.length + rank * least; rank += 1; }
  return moved;
}

// Labels of lines near each other would lie over one another; each tells its place by `at`.
export function labelled(lines) {
  const tags = lines.map((group) => group.querySelector(".tag")).filter((tag) => tag?.at);
  const heights = apart(tags.map((tag) => tag.at[1]), 0.95 * (tags[0]?.at[2] || 0));
  tags.forEach((tag, i) => tag.setAttribute("transform", `translate(${tag.at[0]} ${heights[i]}) scale(${tag.at[2]})`));
  return lines;
}
