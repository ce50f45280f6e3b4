"use strict";
/* Charts that can be moved, zoomed and read at the cursor, by mouse, touch and keyboard; drawn by the chart library. */

const BEYOND = 40; // bars that the view may reach beyond the first and the last one
const LABEL_GAP = 16; // pixels from one label to the next

function color(name) {
  return getComputedStyle(document.documentElement).getPropertyValue(`--${name}`).trim();
}

function number(value) {
  return value === null ? "–" : String(value);
}

class Chart {
  constructor(figure, values) {
    this.values = values;
    this.count = values.labels.length;
    this.at = values.at;
    this.figure = figure;
    this.plot = document.createElement("div");
    this.plot.className = "plot";
    this.plot.tabIndex = 0;
    this.plot.setAttribute("role", "application");
    this.plot.setAttribute("aria-roledescription", "chart");
    this.plot.setAttribute("aria-label", "Chart. Arrow keys read bar by bar, plus and minus zoom, 0 shows the first view.");
    this.read = document.createElement("p");
    this.read.className = "read";
    this.read.setAttribute("role", "status");
    const buttons = document.createElement("p");
    buttons.className = "buttons";
    const ways = [["−", "zoom out", () => this.zoom(1.4)], ["+", "zoom in", () => this.zoom(1 / 1.4)],
      ["◀", "earlier", () => this.move(-0.4)], ["▶", "later", () => this.move(0.4)], ["0", "first view", () => this.home()]];
    for (const [sign, says, does] of ways) {
      const button = document.createElement("button");
      button.type = "button";
      button.textContent = sign;
      button.setAttribute("aria-label", says);
      button.title = says;
      button.addEventListener("click", does);
      buttons.append(button);
    }
    figure.prepend(this.read, this.plot, buttons);
    this.plot.addEventListener("keydown", (event) => this.key(event));
    this.draw();
    matchMedia("(prefers-color-scheme: dark)").addEventListener("change", () => this.draw());
  }

  async draw() {
    const v = this.values;
    const narrow = this.plot.clientWidth < 560;
    if (narrow && !this.range) v.view = [v.view[1] - 52, v.view[1] + 6];
    const view = this.range ? [this.range.start, this.range.end] : v.view;
    this.plot.replaceChildren();
    const x = v.labels.map((_, index) => index);
    const source = new Bokeh.ColumnDataSource({ data: {
      x, open: v.open, high: v.high, low: v.low, close: v.close, fast: v.fast.map((y) => y ?? NaN),
      slow: v.slow.map((y) => y ?? NaN), macd: v.macd.map((y) => y ?? NaN), signal: v.signal.map((y) => y ?? NaN),
      middle: v.close.map((close, index) => (close + v.open[index]) / 2), tall: v.close.map((close, index) => Math.abs(close - v.open[index])),
      body: v.close.map((close, index) => (close >= v.open[index] ? color("card") : color("ink"))),
    } });
    this.range = new Bokeh.Range1d({ start: view[0], end: view[1], bounds: [-BEYOND, this.count + BEYOND] });
    this.prices = new Bokeh.Range1d({ start: 0, end: 1 });
    const labels = new Map();
    for (let index = -BEYOND; index <= this.count + BEYOND; index += 1) labels.set(index, v.labels[index] ?? "");
    const usual = { sizing_mode: "stretch_width", tools: "", toolbar_location: null, x_range: this.range,
      background_fill_color: color("card"), border_fill_color: color("card"), outline_line_color: null,
      min_border_left: 8, min_border_right: 4 };
    const prices = Bokeh.Plotting.figure({ ...usual, height: narrow ? 300 : 420, y_range: this.prices });
    const macd = Bokeh.Plotting.figure({ ...usual, height: narrow ? 96 : 120 });
    for (const one of [prices, macd]) {
      one.xgrid.grid_line_color = null;
      one.ygrid.grid_line_color = color("line");
      for (const axis of [one.xaxis, one.yaxis]) {
        axis.axis_line_color = null;
        axis.major_tick_line_color = null;
        axis.minor_tick_line_color = null;
        axis.major_label_text_color = color("pale");
        axis.major_label_text_font_size = narrow ? "11px" : "12px";
      }
      one.yaxis.formatter = new Bokeh.BasicTickFormatter({ use_scientific: false });
      one.xaxis.major_label_overrides = labels;
      one.xaxis.ticker = new Bokeh.AdaptiveTicker({ desired_num_ticks: narrow ? 2 : 5, min_interval: 1, num_minor_ticks: 0 });
      one.yaxis.ticker = new Bokeh.AdaptiveTicker({ desired_num_ticks: one === macd ? 2 : 6, num_minor_ticks: 0 });
    }
    prices.xaxis.visible = false;
    prices.segment({ x0: { field: "x" }, y0: { field: "low" }, x1: { field: "x" }, y1: { field: "high" }, source, line_color: color("ink"), line_width: 1.2 });
    // Not the bar glyphs of the library, which outline the edge of the plot where they reach beyond it.
    prices.rect({ x: { field: "x" }, y: { field: "middle" }, width: 0.7, height: { field: "tall" }, source, fill_color: { field: "body" }, line_color: color("ink"), line_width: 1.1 });
    prices.line({ x: { field: "x" }, y: { field: "fast" }, source, line_color: color("fast"), line_width: 2 });
    prices.line({ x: { field: "x" }, y: { field: "slow" }, source, line_color: color("slow"), line_width: 2, line_dash: [6, 3] });
    macd.line({ x: { field: "x" }, y: { field: "macd" }, source, line_color: color("ink"), line_width: 1.6 });
    macd.line({ x: { field: "x" }, y: { field: "signal" }, source, line_color: color("stop"), line_width: 1.6, line_dash: [6, 3] });
    const width = { stop: 2.2, entry: 2.2, goal: 1.6, obstacle: 1.6 };
    const dash = { stop: "solid", entry: "solid", goal: "dotted", obstacle: "dotdash" };
    for (const level of v.levels) {
      prices.segment({ x0: level.from, y0: level.price, x1: this.count + BEYOND, y1: level.price, line_color: color(level.kind), line_width: width[level.kind], line_dash: dash[level.kind], line_alpha: 0.9 });
    }
    this.height = (narrow ? 300 : 420) - 14;
    this.tags = [...v.levels].sort((one, other) => one.price - other.price).map((level) => {
      const tag = new Bokeh.Label({ x: 0, y: level.price, text: level.label, text_color: color(level.kind), text_font_size: narrow ? "11px" : "13px",
        text_align: "right", text_baseline: "bottom", background_fill_color: color("card"), text_font_style: ["stop", "entry"].includes(level.kind) ? "bold" : "normal" });
      prices.add_layout(tag);
      return tag;
    });
    v.stops.forEach((stop, index) => {
      const until = index + 1 < v.stops.length ? v.stops[index + 1].at : stop.at + 1;
      prices.segment({ x0: stop.at, y0: stop.price, x1: until, y1: stop.price, line_color: color("stop"), line_width: 3 });
    });
    const shape = { entry: "triangle", half_exit: "square", exit: "square", sign: "inverted_triangle" };
    for (const mark of v.marks) {
      prices.scatter({ x: mark.at, y: mark.price, marker: shape[mark.kind], size: 10, line_color: color("ink"), fill_color: color(mark.kind === "entry" ? "entry" : mark.kind === "sign" ? "stop" : "goal") });
      if (mark.kind !== "sign" && !narrow) {
        prices.add_layout(new Bokeh.Label({ x: mark.at, y: mark.price, text: mark.label, y_offset: 9, text_color: color("ink"), text_font_size: "12px",
          background_fill_color: color("card"), background_fill_alpha: 0.85 }));
      }
    }
    for (const each of v.letters) {
      prices.add_layout(new Bokeh.BoxAnnotation({ left: each.at - 0.5, right: each.at + 0.5, fill_color: color("band"), fill_alpha: 0.8, line_color: null, level: "underlay" }));
      prices.add_layout(new Bokeh.Label({ x: each.at, y: v.low[each.at], text: each.letter, y_offset: -18, text_align: "center", text_font_style: "bold", text_color: color("ink"), text_font_size: "14px" }));
    }
    this.spans = [prices, macd].map((one) => {
      const span = new Bokeh.Span({ location: this.at, dimension: "height", line_color: color("pale"), line_width: 1, line_dash: [3, 3] });
      one.add_layout(span);
      return span;
    });
    for (const one of [prices, macd]) {
      const [drag, scroll] = [new Bokeh.PanTool({ dimensions: "width" }), new Bokeh.WheelZoomTool({ dimensions: "width" })];
      one.add_tools(drag, scroll);
      // On a phone a finger moves the page, and the wheel does so until the chart is chosen.
      one.toolbar.active_drag = matchMedia("(pointer: fine)").matches ? drag : null;
      one.toolbar.active_scroll = null;
      this.plot.addEventListener("focus", () => { one.toolbar.active_scroll = scroll; });
      this.plot.addEventListener("blur", () => { one.toolbar.active_scroll = null; });
      for (const what of ["mousemove", "tap"]) one.on_event(what, (event) => this.show(Math.round(event.x)));
    }
    this.range.change.connect(() => this.fit());
    this.fit();
    this.show(this.at);
    await Bokeh.Plotting.show(new Bokeh.Column({ children: [prices, macd], sizing_mode: "stretch_width", spacing: 0 }), this.plot);
    this.plot.dataset.drawn = "yes";
  }

  /* Choose the prices in view, with what lies near of the levels. */
  fit() {
    const [first, last] = [Math.max(Math.floor(this.range.start), 0), Math.min(Math.ceil(this.range.end), this.count)];
    const lows = this.values.low.slice(first, last);
    const highs = this.values.high.slice(first, last);
    if (!lows.length) return;
    let [low, high] = [Math.min(...lows), Math.max(...highs)];
    const span = (high - low) || Math.abs(high) * 1e-4 || 1e-4;
    const near = this.values.levels.filter((each) => each.price > low - span && each.price < high + span).map((each) => each.price);
    [low, high] = [Math.min(low, ...near), Math.max(high, ...near)];
    this.prices.setv({ start: low - (high - low) * 0.12, end: high + (high - low) * 0.08 });
    // Labels stand above each other, each as near to its price as there is room.
    const pixels = this.height / (this.prices.end - this.prices.start);
    let least = -Infinity;
    for (const tag of this.tags) {
      const wanted = (tag.y - this.prices.start) * pixels;
      const placed = Math.max(wanted, least);
      least = placed + LABEL_GAP;
      tag.setv({ x: this.range.end, y_offset: placed - wanted + 1 });
    }
  }

  show(index) {
    this.at = Math.min(Math.max(index, 0), this.count - 1);
    const [v, i] = [this.values, this.at];
    const cells = [["open", v.open], ["high", v.high], ["low", v.low], ["close", v.close], [v.names.fast, v.fast], [v.names.slow, v.slow]];
    this.read.replaceChildren(...[["", v.labels[i]], ...cells.map(([name, column]) => [name, number(column[i])])].map(([name, value]) => {
      const part = document.createElement("span");
      const strong = document.createElement("b");
      strong.textContent = value;
      part.append(name ? `${name} ` : "", strong);
      return part;
    }));
    for (const span of this.spans) span.location = this.at;
  }

  zoom(by) {
    const [start, end] = [this.range.start, this.range.end];
    const width = Math.min(Math.max((end - start) * by, 12), this.count + BEYOND);
    const middle = Math.min(Math.max(this.at, start), end);
    const part = (middle - start) / (end - start);
    this.look(middle - part * width, middle + (1 - part) * width);
  }

  move(by) {
    const step = (this.range.end - this.range.start) * by;
    this.look(this.range.start + step, this.range.end + step);
  }

  home() {
    this.look(...this.values.view);
    this.show(this.values.at);
  }

  look(start, end) {
    const width = end - start;
    const from = Math.min(Math.max(start, -BEYOND), this.count + BEYOND - width);
    this.range.setv({ start: from, end: from + width });
  }

  key(event) {
    const does = { ArrowLeft: () => this.step(-1), ArrowRight: () => this.step(1), "+": () => this.zoom(1 / 1.4), "=": () => this.zoom(1 / 1.4),
      "-": () => this.zoom(1.4), 0: () => this.home(), PageUp: () => this.move(-0.4), PageDown: () => this.move(0.4) }[event.key];
    if (!does || event.ctrlKey || event.metaKey || event.altKey) return;
    event.preventDefault();
    does();
  }

  step(by) {
    this.show(this.at + by);
    if (this.at < this.range.start + 1) this.move(-0.4);
    if (this.at > this.range.end - 1) this.move(0.4);
  }
}

Bokeh.logger.set_level("off");
for (const figure of document.querySelectorAll("figure[data-chart]")) {
  fetch(figure.dataset.chart).then(async (answer) => {
    if (answer.status === 200) { new Chart(figure, await answer.json()); } else { figure.hidden = true; }
  }).catch(() => { figure.hidden = true; });
}
