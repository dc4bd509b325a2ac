// The page's own script: plots from data, tables that sort, details that open for print. uPlot keeps scales, axes,
// pointer and selection; what lies between the axes is drawn here, shape by shape, as src/report/figure draws it.
"use strict";
(() => {
  const LETTERS = "ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789+/";
  const VALUES = new Uint8Array(128);
  [...LETTERS].forEach((letter, value) => { VALUES[letter.charCodeAt(0)] = value; });
  const FONT = "13px system-ui, sans-serif";
  const dark = matchMedia("(prefers-color-scheme: dark)");
  const element = (name, properties = {}, ...children) => {
    const made = Object.assign(document.createElement(name), properties);
    made.append(...children);
    return made;
  };

  // Numbers as src/report/figure/embed.rs packs them.
  function unpack({ start, step, count, places, bits: low, text }) {
    if (text === undefined) return Float64Array.from({ length: count }, (_, k) => start + k * step);
    const power = 10 ** Math.abs(places);
    let [at, left, bits, sum] = [0, 0, 0, 0];
    const bit = () => {
      if (left === 0) {
        bits = VALUES[text.charCodeAt(at++)];
        left = 6;
      }
      return bits >> --left & 1;
    };
    const next = () => {
      let [symbol, more] = [0, low];
      while (symbol < 20 && bit()) symbol++;
      if (symbol === 20) [symbol, more] = [0, 50];
      while (more--) symbol = 2 * symbol + bit();
      return symbol;
    };
    const values = new Float64Array(count).fill(NaN);
    for (let k = 0; k < count; k++) {
      const symbol = next();
      if (symbol === 0) k += next() - 1;
      else if (symbol < 3) values[k] = [0, Infinity, -Infinity][symbol];
      else {
        const size = Math.floor((symbol - 2) / 2);
        sum += symbol % 2 ? size : -size;
        values[k] = places < 0 ? sum * power : sum / power;
      }
    }
    return values;
  }

  function read(figure) {
    const data = JSON.parse(figure.querySelector("script[type='application/json']").textContent);
    data.panels = data.rows.flatMap((row) => row.panels);
    for (const panel of data.panels) {
      for (const series of panel.series) {
        for (const name in series.columns) series.columns[name] = unpack(series.columns[name]);
      }
      if (panel.map) for (const name of ["x_edges", "y_edges", "levels"]) panel.map[name] = unpack(panel.map[name]);
      panel.lying = panel.y.scale === "names";
    }
    return data;
  }

  // Ticks: 1, 2, 5 in every decade and 150 kHz on axes of frequency, parts of a turn, else decent steps.
  function decent(least) {
    const power = 10 ** Math.floor(Math.log10(least));
    return [1, 2, 5, 10].map((m) => m * power).find((step) => step >= least * (1 - 1e-9));
  }

  function even(low, high, most, unit = 1, steps = null) {
    const least = (high - low) / unit / Math.max(most, 1);
    const step = ((steps && steps.find((s) => s >= least)) || decent(least)) * unit;
    const ticks = [];
    for (let k = Math.ceil(low / step - 1e-9); k * step <= high + 1e-9 * step && ticks.length < 100; k++) ticks.push(k * step);
    return ticks;
  }

  function ticks(axis, log, low, high, most) {
    if (axis.scale === "names") return axis.names.map((_, k) => k).filter((k) => k > low && k < high);
    if (axis.scale === "degrees") return even(low, high, most, 1, [1, 2, 5, 10, 15, 45, 90, 180]);
    if (log) {
      const all = [];
      for (let decade = -9; decade < 13; decade++) for (const m of [1, 2, 5]) all.push(m * 10 ** decade);
      if (axis.scale === "frequency" && high < 2e5) all.push(1.5e5);
      const inside = all.filter((v) => v >= low * (1 - 1e-9) && v <= high * (1 + 1e-9)).sort((a, b) => a - b);
      if (inside.length > 2) return inside;
    }
    return even(low, high, most, axis.scale === "frequency" ? 1e3 : 1);
  }

  const short = (value, digits = 9) => String(Number(value.toPrecision(digits))).replace("-", "−");
  // Six digits of a frequency are finer than any bin; the data below the plot have them all.
  const shown = (axis, value) => axis.scale === "frequency" ? short(value / 1e3, 6)
    : axis.scale === "names" ? axis.names[Math.round(value)] ?? "" : short(value);
  const unit = (axis) => axis.label.includes(", ") ? " " + axis.label.slice(axis.label.indexOf(", ") + 2) : "";
  const decades = (axis) => axis.scale === "linear" && axis.range[0] > 0 && axis.range[1] >= 10 * axis.range[0];

  // A place on the canvas for a value.
  function placer(u, key) {
    const { min, max, distr, dir } = u.scales[key];
    const { left, top, width, height } = u.bbox;
    const turn = distr === 3 ? Math.log10 : (v) => v;
    const [low, high] = [turn(min), turn(max)];
    const [from, span] = key === "x" ? [left, width] : dir === -1 ? [top, height] : [top + height, -height];
    return (value) => Math.max(-1e5, Math.min(1e5, from + (turn(value) - low) / (high - low) * span));
  }

  // The first place in rising numbers that is not below the value.
  function first(values, value) {
    let [low, high] = [0, values.length];
    while (low < high) {
      const middle = (low + high) >> 1;
      if (values[middle] < value) low = middle + 1; else high = middle;
    }
    return low;
  }

  // Spans, then again and again two joined into one with the lowest and the highest of both, so that any width of view
  // takes about as many as the screen has columns.
  const pyramids = new WeakMap();
  function pyramid(columns) {
    if (pyramids.has(columns)) return pyramids.get(columns);
    const levels = [columns];
    for (let { x, low, high } = columns; x.length > 512; { x, low, high } = levels.at(-1)) {
      const count = Math.ceil(x.length / 2);
      const next = { x: new Float64Array(count), low: new Float64Array(count), high: new Float64Array(count) };
      for (let k = 0; k < count; k++) {
        const [one, two] = [2 * k, Math.min(2 * k + 1, x.length - 1)];
        next.x[k] = x[one];
        next.low[k] = !(low[one] <= low[two]) && !Number.isNaN(low[two]) ? low[two] : low[one];
        next.high[k] = !(high[one] >= high[two]) && !Number.isNaN(high[two]) ? high[two] : high[one];
      }
      levels.push(next);
    }
    pyramids.set(columns, levels);
    return levels;
  }

  class Pencil {
    constructor(u, panel, ground) {
      Object.assign(this, { u, panel, ground, ctx: u.ctx, ratio: uPlot.pxRatio, x: placer(u, "x"), y: placer(u, "y") });
    }

    draw(hidden) {
      const { ctx, u: { bbox } } = this;
      ctx.save();
      ctx.beginPath();
      ctx.rect(bbox.left, bbox.top, bbox.width, bbox.height);
      ctx.clip();
      if (this.panel.map) this.map(this.panel.map);
      this.panel.series.forEach((series, k) => hidden.has(k) || this.series(series));
      ctx.restore();
      this.tags(hidden);
      this.marks();
      this.ties();
    }

    series(series) {
      const { ctx, ratio } = this;
      ctx.save();
      ctx.strokeStyle = ctx.fillStyle = series.ink[dark.matches ? 1 : 0];
      ctx.lineWidth = series.width * ratio;
      ctx.lineJoin = "round";
      const dash = series.dash ? series.dash.map((length) => length * ratio) : [];
      ({ line: () => this.line(series, dash), points: () => this.points(series), steps: () => this.steps(series, dash), level: () => this.level(series, dash),
         envelope: () => this.area(series, 1), interval: () => this.area(series, series.fill), bars: () => this.bars(series) })[series.shape]();
      ctx.restore();
    }

    // A line; where points are many, the first, lowest, highest and last of each column of the screen.
    line({ columns: { x, y } }, dash) {
      const { ctx, u: { scales, bbox } } = this;
      const [from, to] = [Math.max(0, first(x, scales.x.min) - 1), x.length];
      const path = new Path2D();
      let [length, open, column, count] = [0, false, null, 0];
      let last = [0, 0];
      const reach = (px, py) => {
        if (open) { path.lineTo(px, py); length += Math.abs(py - last[1]); } else path.moveTo(px, py);
        last = [px, py];
        open = true;
        count++;
      };
      const close = () => {
        if (!column) return;
        const inner = column.low[2] < column.high[2] ? [column.low, column.high] : [column.high, column.low];
        let done = -1;
        for (const [px, py, at] of [column.first, ...inner, column.last]) if (at > done) { reach(px, py); done = at; }
        column = null;
      };
      for (let k = from; k < to; k++) {
        const point = [this.x(x[k]), this.y(y[k]), k];
        if (!Number.isFinite(y[k]) || !Number.isFinite(point[0])) { close(); open = false; continue; }
        if (column && Math.floor(column.first[0]) === Math.floor(point[0])) {
          if (point[1] < column.low[1]) column.low = point;
          if (point[1] > column.high[1]) column.high = point;
          column.last = point;
        } else {
          close();
          column = { first: point, low: point, high: point, last: point };
        }
        if (x[k] > scales.x.max) break;
      }
      close();
      if (dash.length && length > 1.5 * bbox.width && count > 20) {
        // Dashes along a restless line would drown: it is pale, and in full in stripes.
        ctx.globalAlpha = 0.4;
        ctx.stroke(path);
        ctx.globalAlpha = 1;
        const stripes = new Path2D();
        const period = dash[0] + dash[1];
        for (let at = bbox.left; at < bbox.left + bbox.width; at += period) stripes.rect(at, bbox.top, dash[0], bbox.height);
        ctx.clip(stripes);
        ctx.stroke(path);
      } else {
        ctx.setLineDash(dash);
        ctx.stroke(path);
      }
    }

    // Single values: an upright cross at each.
    points({ columns: { x, y } }) {
      const { ctx, ratio } = this;
      const arm = 4 * ratio;
      ctx.beginPath();
      for (let k = 0; k < x.length; k++) {
        const [px, py] = [this.x(x[k]), this.y(y[k])];
        if (!Number.isFinite(px) || !Number.isFinite(py)) continue;
        ctx.moveTo(px - arm, py); ctx.lineTo(px + arm, py);
        ctx.moveTo(px, py - arm); ctx.lineTo(px, py + arm);
      }
      ctx.stroke();
    }

    steps({ columns: { from, to, value } }, dash) {
      const { ctx } = this;
      ctx.setLineDash(dash);
      ctx.beginPath();
      let end = NaN;
      for (let k = 0; k < value.length; k++) {
        if (!Number.isFinite(value[k])) { end = NaN; continue; }
        const touches = Math.abs(from[k] - end) <= 1e-6 * Math.abs(end);
        ctx[touches ? "lineTo" : "moveTo"](this.x(from[k]), this.y(value[k]));
        ctx.lineTo(this.x(to[k]), this.y(value[k]));
        end = to[k];
      }
      ctx.stroke();
    }

    level({ columns: { value } }, dash) {
      const { ctx, panel, u: { bbox } } = this;
      ctx.setLineDash(dash);
      ctx.beginPath();
      const at = Math.round(panel.lying ? this.x(value[0]) : this.y(value[0])) + 0.5;
      if (panel.lying) { ctx.moveTo(at, bbox.top); ctx.lineTo(at, bbox.top + bbox.height); }
      else { ctx.moveTo(bbox.left, at); ctx.lineTo(bbox.left + bbox.width, at); }
      ctx.stroke();
    }

    // What lies between low and high; where it is thinner than the pen, the pen's width.
    area({ columns, width }, strength) {
      const { ctx, ratio, u: { scales, bbox } } = this;
      const levels = pyramid(columns);
      const inside = first(columns.x, scales.x.max) - first(columns.x, scales.x.min);
      const level = Math.ceil(Math.log2(Math.max(1, inside / (2 * bbox.width))));
      const { x, low, high } = levels[Math.min(level, levels.length - 1)];
      const [from, to] = [Math.max(0, first(x, scales.x.min) - 1), Math.min(x.length, first(x, scales.x.max) + 1)];
      const least = strength === 1 ? width * ratio : 0;
      ctx.globalAlpha = strength;
      let piece = [];
      const fill = () => {
        if (piece.length === 1) piece = [[piece[0][0] - 0.5, piece[0][1], piece[0][2]], [piece[0][0] + 0.5, piece[0][1], piece[0][2]]];
        ctx.beginPath();
        piece.forEach(([px, top]) => ctx.lineTo(px, top));
        piece.reverse().forEach(([px, , bottom]) => ctx.lineTo(px, bottom));
        ctx.fill();
        piece = [];
      };
      for (let k = from; k < to; k++) {
        if (Number.isNaN(x[k]) || Number.isNaN(low[k]) || Number.isNaN(high[k])) { if (piece.length) fill(); continue; }
        let [top, bottom] = [this.y(high[k]), this.y(low[k])];
        const more = Math.max(0, least - (bottom - top)) / 2;
        piece.push([this.x(x[k]), top - more, bottom + more]);
      }
      if (piece.length) fill();
    }

    // Boxes with whiskers; upright, or lying on an axis of names.
    bars({ columns: { from, to, value, low, high }, base, fill, width }) {
      const { ctx, panel, ratio, ground, u: { scales, bbox } } = this;
      const [along, across, key] = panel.lying ? [this.x, this.y, "x"] : [this.y, this.x, "y"];
      const turned = (a, b, across0, across1) => panel.lying ? [a, across0, b - a, across1 - across0] : [across0, a, across1 - across0, b - a];
      for (let k = 0; k < value.length; k++) {
        const [start, end] = [along(base ?? scales[key].min), along(value[k])];
        let [one, two] = [across(from[k]), across(to[k])];
        if (!Number.isFinite(end) || !Number.isFinite(one) || !Number.isFinite(two)) continue;
        const gap = panel.lying ? 0.18 * (two - one) : Math.min(2 * ratio, 0.12 * (two - one));
        [one, two] = [one + gap, two - gap];
        ctx.globalAlpha = fill;
        ctx.fillRect(...turned(start, end, one, two));
        ctx.globalAlpha = 1;
        ctx.fillRect(...turned(end - width * ratio / 2, end + width * ratio / 2, one, two));
        if (!low || Number.isNaN(low[k])) continue;
        const [middle, half] = [(one + two) / 2, Math.max(0, Math.min(5 * ratio, (two - one) / 2 - 1))];
        ctx.save();
        ctx.strokeStyle = ground.text;
        ctx.lineWidth = 1.2 * ratio;
        ctx.beginPath();
        const move = (a, b, c, d) => { panel.lying ? ctx.moveTo(a, b) : ctx.moveTo(b, a); panel.lying ? ctx.lineTo(c, d) : ctx.lineTo(d, c); };
        const ends = [low[k], high[k]].map(along);
        move(ends[0], middle, ends[1], middle);
        ends.forEach((place) => move(place, middle - half, place, middle + half));
        ctx.stroke();
        ctx.restore();
      }
    }

    map(map) {
      const { ctx } = this;
      const [columns, rows] = [map.x_edges.length - 1, map.y_edges.length - 1];
      const palette = map.colours.map((hex) => [1, 3, 5].map((at) => parseInt(hex.slice(at, at + 2), 16)));
      const xs = Array.from(map.x_edges, this.x);
      const ys = Array.from(map.y_edges, this.y);
      for (let c = 0; c + 1 < xs.length; c++) for (let r = 0; r < rows; r++) {
        const level = map.levels[r * columns + c];
        const share = Math.max(0, Math.min(1, (level - map.range[0]) / (map.range[1] - map.range[0])));
        if (!Number.isFinite(level) || Number.isNaN(share)) continue;
        const place = share * (palette.length - 1);
        const at = Math.min(Math.floor(place), palette.length - 2);
        const colour = palette[at].map((a, k) => Math.round(a + (place - at) * (palette[at + 1][k] - a)));
        ctx.fillStyle = `rgb(${colour})`;
        const [x0, x1] = [Math.round(xs[c]), Math.round(xs[c + 1])];
        const [y0, y1] = [Math.round(ys[r + 1]), Math.round(ys[r])];
        ctx.fillRect(x0, y0, Math.max(1, x1 - x0), Math.max(1, y1 - y0));
      }
    }

    text(words, x, y, align, colour) {
      const { ctx, ratio } = this;
      ctx.font = FONT.replace("13", 13 * ratio);
      ctx.textAlign = align;
      ctx.textBaseline = "alphabetic";
      ctx.fillStyle = colour;
      ctx.fillText(words, x, y);
    }

    // Names at their lines, each where it covers no other.
    tags(hidden) {
      const { ctx, ratio, ground, u: { bbox, scales } } = this;
      const taken = [];
      this.panel.series.forEach((series, k) => {
        if (!series.at_line || hidden.has(k) || series.shape !== "line") return;
        ctx.font = FONT.replace("13", 13 * ratio);
        const width = ctx.measureText(series.label).width + 8 * ratio;
        for (const share of [0.985, 0.7, 0.45, 0.25]) {
          const right = bbox.left + share * bbox.width;
          const middle = this.u.posToVal(right - width / 2, "x", true);
          const { x, y } = series.columns;
          const at = first(x, middle);
          if (at === 0 || at >= x.length || !(middle >= scales.x.min)) continue;
          const place = (v) => scales.x.distr === 3 ? Math.log(v) : v;
          const part = (place(middle) - place(x[at - 1])) / (place(x[at]) - place(x[at - 1]) || 1);
          const bottom = this.y(y[at - 1] + part * (y[at] - y[at - 1])) - 4 * ratio;
          const box = [right - width, bottom - 15 * ratio, right, bottom + 2 * ratio];
          const free = taken.every((b) => box[2] < b[0] || b[2] < box[0] || box[3] < b[1] || b[3] < box[1]);
          if (!free || box[1] < bbox.top || box[3] > bbox.top + bbox.height || box[0] < bbox.left) continue;
          taken.push(box);
          ctx.save();
          ctx.globalAlpha = 0.85;
          ctx.fillStyle = ground.paper;
          ctx.fillRect(box[0], box[1], width, 17 * ratio);
          ctx.restore();
          this.text(series.label, box[0] + 4 * ratio, bottom - 2 * ratio, "left", ground.text);
          return;
        }
      });
    }

    // Lines at named places; a name without room is left out, its line stays.
    marks() {
      const { ctx, ratio, ground, u: { bbox } } = this;
      const taken = [];
      for (const [place, name] of this.panel.marks ?? []) {
        const at = Math.round(this.x(place)) + 0.5;
        if (at < bbox.left || at > bbox.left + bbox.width) continue;
        ctx.fillStyle = ground.quiet;
        ctx.font = FONT.replace("13", 13 * ratio);
        const half = ctx.measureText(name).width / 2 + 3 * ratio;
        const middle = Math.max(bbox.left + half, Math.min(bbox.left + bbox.width - half, at));
        const free = taken.every(([a, b]) => middle + half < a || b < middle - half);
        ctx.save();
        ctx.globalAlpha = 0.6;
        ctx.fillRect(at - 0.5, bbox.top, ratio, bbox.height);
        ctx.restore();
        if (!free) continue;
        taken.push([middle - half, middle + half]);
        this.text(name, middle, bbox.top - 5 * ratio, "center", ground.text);
      }
    }

    ties() {
      const { ctx, ratio, ground, u: { bbox } } = this;
      for (const [start, end, label] of this.panel.ties ?? []) {
        const [top, bottom] = [Math.max(bbox.top, this.y(start - 0.3)), Math.min(bbox.top + bbox.height, this.y(end + 0.3))];
        if (bottom <= top) continue;
        const near = bbox.left + bbox.width + 5 * ratio;
        ctx.save();
        ctx.strokeStyle = ground.quiet;
        ctx.lineWidth = 1.4 * ratio;
        ctx.beginPath();
        ctx.moveTo(near, top);
        ctx.lineTo(near + 6 * ratio, top);
        ctx.lineTo(near + 6 * ratio, bottom);
        ctx.lineTo(near, bottom);
        ctx.stroke();
        ctx.restore();
        this.text(label, near + 10 * ratio, (top + bottom) / 2 + 4 * ratio, "left", ground.text);
      }
    }
  }

  // What a panel says at a place, in words: every series that is shown.
  function reading(panel, hidden, x, y) {
    const said = [];
    panel.series.forEach((series, k) => {
      if (hidden.has(k)) return;
      const c = series.columns;
      const name = series.label ?? panel.title;
      const value = (v) => shown(panel.lying ? panel.x : panel.y, v) + unit(panel.lying ? panel.x : panel.y);
      const span = (a, b) => `${shown(panel.y, a)} to ${value(b)}`;
      if (series.shape === "level") {
        if (series.label) said.push(`${name}: ${value(c.value[0])}`);
      } else if (series.shape === "bars" || series.shape === "steps") {
        const place = panel.lying ? y : x;
        const at = c.value.findIndex((_, i) => c.from[i] <= place && place < c.to[i]);
        if (at < 0 || !Number.isFinite(c.value[at])) return;
        const ends = c.low && !Number.isNaN(c.low[at]) ? ` (${short(c.low[at])} to ${short(c.high[at])})` : "";
        const where = panel.lying ? panel.y.names[at] : `${shown(panel.x, c.from[at])} to ${shown(panel.x, c.to[at])}${unit(panel.x)}, ${name}`;
        said.push(`${where}: ${value(c.value[at])}${ends}`);
      } else {
        const after = Math.min(first(c.x, x), c.x.length - 1);
        // Points need not rise: the nearest of all.
        const nearest = (best, _, k) => Math.abs(c.x[k] - x) < Math.abs(c.x[best] - x) ? k : best;
        const at = series.shape === "points" ? c.x.reduce(nearest, 0)
          : after > 0 && x - c.x[after - 1] < c.x[after] - x ? after - 1 : after;
        const words = c.y ? value(c.y[at]) : span(c.low[at], c.high[at]);
        if (Number.isFinite(c.y ? c.y[at] : c.low[at])) said.push(`${shown(panel.x, c.x[at])}${unit(panel.x)}, ${name}: ${words}`);
      }
    });
    if (panel.map && y !== null) {
      const [c, r] = [first(panel.map.x_edges, x) - 1, first(panel.map.y_edges, y) - 1];
      const columns = panel.map.x_edges.length - 1;
      const level = c < 0 || r < 0 || c >= columns ? NaN : panel.map.levels[r * columns + c] ?? NaN;
      const edges = (axis, values, k) => `${shown(axis, values[k])} to ${shown(axis, values[k + 1])}${unit(axis)}`;
      if (Number.isFinite(level)) said.push(`${edges(panel.x, panel.map.x_edges, c)}, ${edges(panel.y, panel.map.y_edges, r)}: ${short(level)}${unit(panel.map)}`);
    }
    return said;
  }

  // Everything drawn, as rows; texts that a spreadsheet would take for a formula are marked as text.
  function csv(data) {
    const text = (words) => `"${(/^[=+\-@\t]/.test(words) ? "'" : "") + words.replaceAll('"', '""')}"`;
    const number = (v) => v === undefined || Number.isNaN(v) ? "" : v === Infinity ? "inf" : v === -Infinity ? "-inf" : String(v);
    const rows = ["panel,series,x_axis,y_axis,x,x_end,y,y_end,value,low,high"];
    for (const panel of data.panels) {
      const start = (label) => [panel.title, label ?? "", panel.x.label, panel.y.label].map(text).join();
      const add = (head, ...cells) => rows.push(`${head},${cells.map(number).join()}`);
      for (const { label, columns: c } of panel.series) {
        const head = start(label);
        const count = (c.x ?? c.value).length;
        for (let k = 0; k < count; k++) {
          if (c.from && panel.lying) add(start(panel.y.names[k]), undefined, undefined, c.from[k], c.to[k], c.value[k], c.low?.[k], c.high?.[k]);
          else if (c.from) add(head, c.from[k], c.to[k], undefined, undefined, c.value[k], c.low?.[k], c.high?.[k]);
          else if (c.x) add(head, c.x[k], undefined, undefined, undefined, c.y?.[k], c.low?.[k], c.high?.[k]);
          else add(head, undefined, undefined, undefined, undefined, c.value[k]);
        }
      }
      if (panel.map) {
        const head = start(panel.map.label);
        const { x_edges: xs, y_edges: ys, levels } = panel.map;
        levels.forEach((level, k) => {
          const [c, r] = [k % (xs.length - 1), Math.floor(k / (xs.length - 1))];
          add(head, xs[c], xs[c + 1], ys[r], ys[r + 1], level);
        });
      }
      for (const [place, name] of panel.marks ?? []) add(start(`mark: ${name}`), place);
      for (const [from, to, name] of panel.ties ?? []) add(start(`tie: ${name}`), undefined, undefined, from, to);
    }
    return rows.join("\n") + "\n";
  }

  // One figure: its panels, what can be done with them, and the reading under each.
  class Plots {
    constructor(figure) {
      this.figure = figure;
      this.live = element("div", { className: "live" });
      this.live.style.minHeight = `${figure.dataset.height}px`;
      figure.querySelector(".still").after(this.live);
      this.together = true;
    }

    show() {
      if (this.plots) return;
      try {
        this.data ??= read(this.figure);
        this.hidden ??= this.data.panels.map(() => new Set());
        // Axes of frequency begin logarithmic, as in the picture, and are those that turn; without any, linear ones can.
        const axes = this.data.panels.flatMap((panel) => [panel.x, panel.y]);
        const ofFrequency = (axis) => axis.scale === "frequency";
        this.canBeLog = axes.some(ofFrequency) ? ofFrequency : decades;
        this.log ??= axes.some(ofFrequency);
        this.views ??= this.data.panels.map((panel) => ({ x: panel.x.range, y: panel.y.range }));
        this.build();
        // The room was kept until now.
        this.live.style.minHeight = "";
      } catch (error) {
        this.figure.classList.add("still-only");
        this.live.remove();
        throw error;
      }
    }

    hide() {
      if (!this.plots) return;
      this.live.style.minHeight = `${this.live.offsetHeight}px`;
      this.plots.forEach((plot) => plot.destroy());
      this.plots = null;
      this.live.replaceChildren();
    }

    again() {
      if (!this.plots) return;
      this.hide();
      this.show();
    }

    build() {
      this.plots = [];
      const button = (text, act, pressed) => {
        const made = element("button", { type: "button", textContent: text });
        if (pressed !== undefined) made.ariaPressed = String(pressed);
        made.addEventListener("click", () => act(made));
        return made;
      };
      const turn = (name) => (made) => {
        this[name] = !this[name];
        made.ariaPressed = String(this[name]);
      };
      const tools = element("div", { className: "tools" },
        button("Zoom in", () => this.zoom(0.5)), button("Zoom out", () => this.zoom(2)), button("Whole range", () => this.whole()));
      if (this.data.panels.some((panel) => this.canBeLog(panel.x) || this.canBeLog(panel.y))) {
        tools.append(button("Logarithmic axis", (made) => { turn("log")(made); this.again(); this.live.querySelector(".tools [aria-pressed]").focus(); }, this.log));
      }
      if (this.data.panels.length > 1) tools.append(button("Axes together", turn("together"), this.together));
      tools.append(button("Data (CSV)", () => this.save()));
      this.live.append(tools);
      const width = this.live.clientWidth;
      const shares = this.data.rows.reduce((sum, row) => sum + row.share, 0);
      let number = 0;
      for (const row of this.data.rows) {
        const across = width < 700 ? 1 : row.panels.length;
        const line = element("div", { className: "row" });
        line.style.gridTemplateColumns = `repeat(${across}, minmax(0, 1fr))`;
        this.live.append(line);
        for (const panel of row.panels) {
          const height = panel.lying ? 26 * panel.y.names.length + 60 : Math.max(230, Math.min(420, 0.62 * this.data.height * row.share / shares + 40));
          this.panel(panel, number++, line, { width: Math.floor((width - 20 * (across - 1)) / across), height: Math.round(height) });
        }
      }
      if (this.data.panels.some((panel) => panel.series.some((series) => series.thinned))) {
        this.live.append(element("p", { className: "thinned", textContent: "Long traces are thinned; every lowest and highest value of a column is kept." }));
      }
      this.width = width;
    }

    panel(panel, number, line, size) {
      const hidden = this.hidden[number];
      const box = element("div", { className: "panel", tabIndex: 0 });
      box.setAttribute("role", "group");
      box.ariaLabel = `Plot: ${panel.title || this.data.title}. Arrow keys move the reading, plus and minus zoom, page up and page down go along, 0 shows the whole range.`;
      const legend = element("div", { className: "legend" });
      panel.series.forEach((series, k) => {
        if (series.label === null) return;
        const made = element("button", { type: "button", ariaPressed: String(!hidden.has(k)) }, swatch(series), series.label);
        made.addEventListener("click", () => {
          hidden.has(k) ? hidden.delete(k) : hidden.add(k);
          made.ariaPressed = String(!hidden.has(k));
          this.plots[number].redraw();
        });
        legend.append(made);
      });
      if (panel.map) {
        const scale = element("span", { className: "colours" });
        scale.style.background = `linear-gradient(to right, ${panel.map.colours.join()})`;
        legend.append(element("span", {}, `${short(panel.map.range[0])} `, scale, ` ${short(panel.map.range[1])} ${panel.map.label}`));
      }
      const said = element("p", { className: "reading" });
      said.ariaLive = "off";
      box.addEventListener("focus", () => { said.ariaLive = "polite"; });
      box.addEventListener("blur", () => { said.ariaLive = "off"; });
      line.append(element("div", {}, element("p", { className: "panel-title", textContent: panel.title }), legend, box, said));
      const plot = new uPlot(this.options(panel, number, size, said), [panel.x.range], box);
      this.plots.push(plot);
      // The wheel alone scrolls the page.
      plot.over.addEventListener("wheel", (event) => {
        if (!event.ctrlKey && !event.shiftKey) return;
        event.preventDefault();
        const turned = event.deltaY || event.deltaX;
        if (event.ctrlKey) this.zoom(2 ** Math.max(-1, Math.min(1, turned / 200)), number, plot.posToVal(event.offsetX, "x"));
        else this.move(number, Math.max(-0.5, Math.min(0.5, turned / 800)));
      }, { passive: false });
      box.addEventListener("keydown", (event) => this.key(event, plot, number));
    }

    options(panel, number, size, said) {
      const style = getComputedStyle(this.figure);
      const colour = (name) => style.getPropertyValue(name).trim();
      const ground = { text: colour("--text"), quiet: colour("--quiet"), grid: colour("--grid"), paper: colour("--ground") };
      const hidden = this.hidden[number];
      const log = { x: this.log && this.canBeLog(panel.x), y: this.log && this.canBeLog(panel.y) };
      const view = this.views[number];
      const most = (u, key) => key === "x" ? Math.max(4, Math.min(14, (u.bbox.width / uPlot.pxRatio) / 72)) : Math.max(2, Math.min(10, (u.bbox.height / uPlot.pxRatio) / 30));
      const look = { stroke: ground.text, font: FONT, labelFont: FONT, labelSize: 20, ticks: { stroke: ground.quiet, width: 1, size: 5 }, grid: { stroke: ground.grid, width: 1 }, gap: 4 };
      // A number needs room beside the next one; frequencies are looked at from above, for the end of a range says more than 100 kHz.
      const apart = (u, splits, key, axis) => {
        u.ctx.font = FONT;
        const words = splits.map((v) => shown(axis, v));
        if (axis.scale === "names") return words;
        const order = [...splits.keys()];
        if (axis.scale === "frequency") order.reverse();
        let last = null;
        for (const k of order) {
          const at = u.valToPos(splits[k], key);
          const half = key === "x" ? u.ctx.measureText(words[k]).width / 2 + 3 : 7;
          if (last && Math.abs(at - last.at) < half + last.half) words[k] = "";
          else last = { at, half };
        }
        return words;
      };
      const axis = (key, described, extra) => ({ ...look, scale: key, label: described.label || undefined,
        splits: (u, _, low, high) => ticks(described, log[key], low, high, most(u, key)),
        filter: (u, splits) => splits,
        values: (u, splits) => apart(u, splits, key, described), ...extra });
      const wide = (u, values) => {
        u.ctx.font = FONT;
        return 14 + Math.max(20, ...(values ?? []).map((text) => u.ctx.measureText(text).width));
      };
      const names = panel.lying ? { size: (u, values) => Math.min(0.45 * size.width, wide(u, values)), grid: { show: false },
        values: (u, splits) => splits.map((v) => fitting(u.ctx, shown(panel.y, v), 0.45 * size.width - 14)) } : { size: wide };
      const axes = [axis("x", panel.x, { size: 32 }), axis("y", panel.y, names)];
      if (panel.phase) {
        const { zero, cycle, label } = panel.phase;
        const turns = (low, high, most) => [0.125, 0.25, 0.5, 1].find((t) => (high - low) / cycle / t <= most) ?? decent((high - low) / cycle / most);
        axes.push({ ...look, scale: "x", side: 0, label, size: 26, grid: { show: false },
          splits: (u, _, low, high) => even(low - zero, high - zero, 1e3, cycle * turns(low, high, u.bbox.width / uPlot.pxRatio / 45), [1]).map((v) => v + zero),
          values: (u, splits) => splits.map((v) => String(Math.round((((v - zero) / cycle * 360) % 360 + 360) % 360) % 360)) });
      }
      const kept = (full) => (u, low, high) => low === null || !(high > low) ? full : [low, high];
      const ties = (panel.ties ?? []).length ? 110 : 14;
      const group = panel.lying ? ["y", [null, "y"]] : ["x", ["x", null]];
      return {
        ...size, padding: [panel.marks ? 22 : 10, ties, 4, 4], legend: { show: false }, series: [{}], axes,
        scales: {
          x: { time: false, distr: log.x ? 3 : 1, range: kept(panel.x.range), min: view.x[0], max: view.x[1] },
          y: { distr: log.y ? 3 : 1, dir: panel.lying ? -1 : 1, range: kept(panel.y.range) },
        },
        cursor: {
          points: { show: false }, drag: { x: true, y: true, uni: 40, setScale: true },
          sync: { key: `${this.figure.id} ${group[0]} ${panel[group[0] + "_group"]}`, scales: group[1], filters: { pub: (type) => this.together && type !== "mouseup" && type !== "mousedown", sub: () => this.together } },
          bind: { dblclick: () => () => { this.whole(); return null; } },
        },
        hooks: {
          ready: [(u) => u.batch(() => { u.setScale("x", { min: view.x[0], max: view.x[1] }); u.setScale("y", { min: view.y[0], max: view.y[1] }); })],
          draw: [(u) => new Pencil(u, panel, ground).draw(hidden)],
          setCursor: [(u) => {
            const { left, top } = u.cursor;
            said.textContent = left < 0 && top < 0 ? "" : reading(panel, hidden, left < 0 ? null : u.posToVal(left, "x"), top < 0 ? null : u.posToVal(top, "y")).join("; ");
          }],
          setScale: [(u, key) => {
            const { min, max } = u.scales[key];
            this.views[number][key] = [min, max];
            // For whoever can tell more of what is looked at.
            if (key === "x" && number === 0) this.figure.dispatchEvent(new CustomEvent("looked", { bubbles: true, detail: { min, max, spans: spansWithin(panel, min, max), width: u.bbox.width } }));
            if (this.together) this.follow(number, key, min, max);
          }],
        },
      };
    }

    // Panels that share an axis go along.
    follow(number, key, min, max) {
      const group = this.data.panels[number][`${key}_group`];
      this.plots.forEach((other, k) => {
        const scale = other.scales[key];
        const same = this.data.panels[k][`${key}_group`] === group;
        if (k !== number && same && scale.min != null && (scale.min !== min || scale.max !== max)) other.setScale(key, { min, max });
      });
    }

    scale(number, key, [low, high]) {
      const [least, most] = this.data.panels[number][key].range;
      const log = this.plots[number].scales[key].distr === 3;
      const smallest = (log ? Math.log(most / least) : most - least) * 1e-5;
      if ((log ? Math.log(high / low) : high - low) < smallest) return;
      this.plots[number].setScale(key, { min: Math.max(low, least), max: Math.min(high, most) });
    }

    zoom(factor, number = null, middle = null) {
      this.plots.forEach((plot, k) => {
        if (number !== null && k !== number) return;
        const { min, max, distr } = plot.scales.x;
        const [to, back] = distr === 3 ? [Math.log, Math.exp] : [(v) => v, (v) => v];
        const centre = middle === null ? (to(min) + to(max)) / 2 : to(middle);
        const half = factor * (to(max) - to(min)) / 2;
        this.scale(k, "x", [back(centre - half), back(centre + half)]);
      });
    }

    // Goes along by a part of what is shown, as far as there is something.
    move(number, share) {
      const plot = this.plots[number];
      const { min, max, distr } = plot.scales.x;
      const [to, back] = distr === 3 ? [Math.log, Math.exp] : [(v) => v, (v) => v];
      const [least, most] = this.data.panels[number].x.range.map(to);
      const step = Math.max(least - to(min), Math.min(most - to(max), share * (to(max) - to(min))));
      if (step) this.scale(number, "x", [back(to(min) + step), back(to(max) + step)]);
    }

    whole() {
      this.plots.forEach((plot, k) => ["x", "y"].forEach((key) => {
        const [min, max] = this.data.panels[k][key].range;
        plot.setScale(key, { min, max });
      }));
    }

    key(event, plot, number) {
      const width = plot.bbox.width / uPlot.pxRatio;
      const height = plot.bbox.height / uPlot.pxRatio;
      const at = plot.cursor.left < 0 ? width / 2 : plot.cursor.left;
      const up = plot.cursor.top < 0 ? height / 2 : plot.cursor.top;
      const step = event.shiftKey ? 0.1 : 0.01;
      const go = (dx, dy) => plot.setCursor({ left: Math.max(0, Math.min(width - 1, at + dx * width)), top: Math.max(0, Math.min(height - 1, up + dy * height)) }, true, true);
      const acts = {
        ArrowLeft: () => go(-step, 0), ArrowRight: () => go(step, 0), ArrowUp: () => go(0, -step), ArrowDown: () => go(0, step),
        "+": () => this.zoom(0.5, number, plot.posToVal(at, "x")), "-": () => this.zoom(2, number, plot.posToVal(at, "x")), 0: () => this.whole(),
        PageUp: () => this.move(number, -0.5), PageDown: () => this.move(number, 0.5),
      };
      if (event.ctrlKey || event.metaKey || event.altKey || !acts[event.key]) return;
      event.preventDefault();
      acts[event.key]();
    }

    save() {
      const url = URL.createObjectURL(new Blob([csv(this.data)], { type: "text/csv" }));
      element("a", { href: url, download: `${this.figure.id}.csv` }).click();
      setTimeout(() => URL.revokeObjectURL(url), 1000);
    }
  }

  // How many spans a panel has between two places; none where it has no spans.
  function spansWithin(panel, min, max) {
    const series = panel.series.find((one) => one.shape === "envelope");
    return series ? first(series.columns.x, max) - first(series.columns.x, min) : null;
  }

  function fitting(ctx, text, width) {
    ctx.font = FONT;
    if (ctx.measureText(text).width <= width) return text;
    let end = text.length;
    while (end > 1 && ctx.measureText(text.slice(0, end) + "…").width > width) end--;
    return text.slice(0, end) + "…";
  }

  function swatch(series) {
    const svg = document.createElementNS("http://www.w3.org/2000/svg", "svg");
    const draw = (name, attributes) => {
      const made = document.createElementNS(svg.namespaceURI, name);
      Object.entries(attributes).forEach(([key, value]) => made.setAttribute(key, value));
      svg.append(made);
    };
    const ink = series.ink[dark.matches ? 1 : 0];
    Object.entries({ width: 30, height: 12, "aria-hidden": "true" }).forEach(([key, value]) => svg.setAttribute(key, value));
    const filled = series.shape === "bars" || series.shape === "interval";
    if (filled) draw("rect", { width: 30, height: 12, fill: ink, "fill-opacity": series.fill });
    if (series.shape !== "interval") draw("path", { d: filled ? "M0 1H30" : series.shape === "points" ? "M11 6H19M15 2V10" : "M0 6H30", stroke: ink, "stroke-width": series.width + 0.4, "stroke-dasharray": series.shape === "envelope" || !series.dash ? "" : series.dash.join(" ") });
    return svg;
  }

  // Tables: a button in every heading; numbers before texts, what is missing last.
  function sortable(table) {
    const body = table.tBodies[0];
    const value = (cell) => cell.dataset.sort === undefined ? null : Number(cell.dataset.sort);
    [...table.tHead.rows[0].cells].forEach((head, column) => {
      // A button needs a name.
      if (!head.textContent.trim()) return;
      const button = element("button", { type: "button" });
      button.append(...head.childNodes);
      head.append(button);
      button.addEventListener("click", () => {
        const direction = head.ariaSort === "ascending" ? -1 : 1;
        [...table.tHead.rows[0].cells].forEach((cell) => cell.removeAttribute("aria-sort"));
        head.ariaSort = direction === 1 ? "ascending" : "descending";
        const rows = [...body.rows].map((row, place) => ({ row, place, number: value(row.cells[column]), text: row.cells[column].textContent }));
        const rank = ({ number }) => number === null ? 1 : Number.isFinite(number) ? 0 : 2;
        rows.sort((a, b) => rank(a) - rank(b) || direction * (rank(a) === 0 ? a.number - b.number : rank(a) === 1 ? a.text.localeCompare(b.text) : 0) || a.place - b.place);
        body.append(...rows.map(({ row }) => row));
      });
    });
  }

  document.documentElement.classList.add("scripted");
  const plots = new Map();
  // Drawn when near; given back when far, so that a long page does not hold a thousand canvases.
  const near = new IntersectionObserver((entries) => entries.forEach((e) => e.isIntersecting && plots.get(e.target).show()), { rootMargin: "300px" });
  const far = new IntersectionObserver((entries) => entries.forEach((e) => e.isIntersecting || plots.get(e.target).hide()), { rootMargin: "3000px" });
  // Wakes what stands in a part of the document, and lets go of it before the part is taken away.
  const wake = (part) => {
    part.querySelectorAll("table.sortable").forEach(sortable);
    part.querySelectorAll("figure.plot").forEach((figure) => {
      plots.set(figure, new Plots(figure));
      near.observe(figure);
      far.observe(figure);
    });
  };
  const forget = (part) => part.querySelectorAll("figure.plot").forEach((figure) => {
    near.unobserve(figure);
    far.unobserve(figure);
    plots.get(figure)?.hide();
    plots.delete(figure);
  });
  globalThis.page = Object.freeze({ wake, forget, plots });
  wake(document);
  const again = () => plots.forEach((plot) => plot.again());
  dark.addEventListener("change", again);
  let waiting = 0;
  addEventListener("resize", () => {
    clearTimeout(waiting);
    waiting = setTimeout(() => plots.forEach((plot) => plot.width !== plot.live.clientWidth && plot.again()), 150);
  });

  // Print shows everything; a link into a folded part opens it.
  let opened = [];
  addEventListener("beforeprint", () => {
    opened = [...document.querySelectorAll("details:not([open])")];
    opened.forEach((details) => { details.open = true; });
  });
  addEventListener("afterprint", () => opened.forEach((details) => { details.open = false; }));
  const reveal = () => {
    for (let part = document.getElementById(location.hash.slice(1)); part; part = part.parentElement) {
      if (part.localName === "section" && part.firstElementChild?.localName === "details") part.firstElementChild.open = true;
    }
  };
  addEventListener("hashchange", reveal);
  reveal();
})();
