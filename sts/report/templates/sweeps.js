(function () {
  "use strict";
  var table = document.getElementById("sweep-table");
  var block = document.getElementById("sweep-data");
  if (!table || !block) { return; }
  var body = table.tBodies[0], columns = table.tHead.rows[0].cells.length, sweeps = null, ticked = {};
  var SVG = "http://www.w3.org/2000/svg", WIDTH = 460, HEIGHT = 200, LEFT = 58, RIGHT = 10, TOP = 10, BOTTOM = 34;

  function data(at) { // read when the first row is opened
    if (!sweeps) { sweeps = JSON.parse(block.textContent); }
    return sweeps[at];
  }
  function add(parent, name, attributes, text) {
    var made = document.createElementNS(SVG, name);
    Object.keys(attributes).forEach(function (key) { made.setAttribute(key, attributes[key]); });
    if (text !== undefined) { made.textContent = text; }
    parent.appendChild(made);
    return made;
  }
  function numbers(text) {
    return text.split(",").map(function (part) { return part === "" ? NaN : +part; });
  }
  function scaled(size, unit) { // 2e-10 A is 200 pA
    if (!unit) { return [1, "unit not recorded"]; }
    var prefixes = { "-5": "f", "-4": "p", "-3": "n", "-2": "µ", "-1": "m", "0": "" };
    var power = Math.max(-5, Math.min(0, Math.floor(Math.log10(size || 1) / 3 + 1e-9)));
    return [Math.pow(10, -3 * power), prefixes[power] + unit];
  }
  function decade(step) {
    var power = Math.round(step / 100) - 15, names = { "-15": "fA", "-12": "pA", "-9": "nA", "-6": "µA" };
    var base = Math.floor(power / 3) * 3;
    return Math.pow(10, power - base) + " " + (names[base] || "10^" + base + " A");
  }

  function picture(sweep) {
    if (!sweep.y) { sweep.y = ""; sweep.a = [0, 1]; } // nothing is known of its current
    var height = sweep.k === "iz", ends = sweep.a.e || sweep.a, y = numbers(sweep.y), x;
    if (sweep.a.x) { x = numbers(sweep.a.x).map(function (v) { return ends[0] + (ends[1] - ends[0]) * v / 9999; }); }
    else { x = y.map(function (_, i) { return ends[0] + (ends[1] - ends[0]) * i / (y.length - 1); }); }
    var known = y.concat(sweep.f ? [sweep.f[1]] : []).filter(function (v) { return !isNaN(v); });
    var svg = document.createElementNS(SVG, "svg");
    svg.setAttribute("viewBox", "0 0 " + WIDTH + " " + HEIGHT);
    svg.setAttribute("role", "img");
    svg.setAttribute("aria-label", sweep.n + ": current against " + (height ? "height, logarithmic, with fit" : "bias"));
    if (!known.length) { add(svg, "text", { x: 20, y: 40 }, "no current that could be drawn"); return svg; }
    var low = Math.min.apply(null, known), high = Math.max.apply(null, known), room = 0.06 * (high - low || 1);
    low -= room; high += room;
    function px(v) { return LEFT + (WIDTH - LEFT - RIGHT) * (v - ends[0]) / (ends[1] - ends[0]); }
    function py(v) { return TOP + (HEIGHT - TOP - BOTTOM) * (high - v) / (high - low); }
    var floor = HEIGHT - BOTTOM, factor = 1, unit = "";
    (sweep.w || []).forEach(function (flag) {
      var a = px(flag[1]), b = px(flag[2]), group = add(svg, "g", { "class": "flagged" });
      if (flag[1] === flag[2]) { add(group, "line", { x1: a, x2: a, y1: TOP, y2: floor }); }
      else { add(group, "rect", { x: Math.min(a, b), y: TOP, width: Math.max(Math.abs(b - a), 2), height: floor - TOP }); }
      add(group, "text", { x: Math.min(a + 3, WIDTH - 70), y: TOP + 10 }, flag[0]);
    });
    add(svg, "path", { "class": "frame", d: "M" + LEFT + " " + TOP + "V" + floor + "H" + (WIDTH - RIGHT), fill: "none" });
    if (height) {
      for (var step = Math.ceil(low / 100) * 100; step <= high; step += 100) {
        add(svg, "line", { "class": "frame", x1: LEFT - 4, x2: LEFT, y1: py(step), y2: py(step) });
        add(svg, "text", { x: LEFT - 7, y: py(step) + 4, "text-anchor": "end" }, decade(step));
      }
    } else {
      var s = scaled(999 * sweep.s[0], sweep.s[1]);
      factor = s[0] * sweep.s[0]; unit = s[1];
      [Math.max.apply(null, known), 0, Math.min.apply(null, known)].forEach(function (v, i, all) {
        if (i === 1 && (py(0) - py(all[0]) < 12 || py(all[2]) - py(0) < 12)) { return; }
        add(svg, "text", { x: LEFT - 7, y: py(v) + 4, "text-anchor": "end" }, (v * factor).toPrecision(3));
      });
    }
    var volts = scaled(5 * Math.max(Math.abs(ends[0]), Math.abs(ends[1])), "V"); // 0.5 V stays, 0.1 V is 100 mV
    [0, 0.5, 1].forEach(function (share) {
      var v = ends[0] + share * (ends[1] - ends[0]);
      add(svg, "line", { "class": "frame", x1: px(v), x2: px(v), y1: floor, y2: floor + 4 });
      add(svg, "text", { x: px(v), y: floor + 16, "text-anchor": share ? (share === 1 ? "end" : "middle") : "start" }, String(+(v * (height ? 1 : volts[0])).toPrecision(3)));
    });
    add(svg, "text", { x: (LEFT + WIDTH) / 2, y: HEIGHT - 4, "text-anchor": "middle" },
      height ? "nm from the near end; current without its offset" : "bias (" + volts[1] + "); " + (sweep.s[1] === "A" ? "current" : "lock-in") + " (" + unit + ")");
    var dots = "", crosses = "", line = "", last = NaN;
    y.forEach(function (v, i) {
      var masked = (sweep.m || []).some(function (run) { return i >= run[0] && i <= run[1]; });
      if (!isNaN(v)) {
        var a = px(x[i]).toFixed(1), b = py(v).toFixed(1);
        if (masked) { crosses += "M" + (a - 2.5) + " " + (b - 2.5) + "l5 5m0 -5l-5 5"; }
        else { dots += "M" + a + " " + b + "h0"; }
        line += (isNaN(last) ? "M" : "L") + a + " " + b;
      }
      last = v;
    });
    if (!height) { add(svg, "path", { "class": "curve", d: line, fill: "none" }); }
    add(svg, "path", { "class": "dots", d: dots, fill: "none" });
    if (crosses) { add(svg, "path", { "class": "masked", d: crosses, fill: "none" }); }
    if (sweep.f) { add(svg, "line", { "class": "fit", x1: px(sweep.f[0]), y1: py(sweep.f[1]), x2: px(sweep.f[2]), y2: py(sweep.f[3]) }); }
    return svg;
  }

  function toggle(row, button) {
    var next = row.nextElementSibling;
    if (next && next.classList.contains("picture")) { body.removeChild(next); button.setAttribute("aria-expanded", "false"); return; }
    var made = document.createElement("tr"), cell = document.createElement("td"), words = document.createElement("p");
    var sweep = data(+row.dataset.at), shown = numbers(sweep.y).length;
    made.className = "picture"; cell.colSpan = columns;
    words.textContent = (sweep.k === "iz" ? "Points: measured; line: fit" : "Line: measured") + (sweep.m ? "; crosses: masked" : "") +
      (shown < sweep.p ? "; " + shown + " of " + sweep.p + " points drawn" : "") + ".";
    cell.appendChild(picture(sweep)); cell.appendChild(words); made.appendChild(cell);
    body.insertBefore(made, row.nextSibling);
    button.setAttribute("aria-expanded", "true");
  }

  // --- decisions to copy: names and reasons in double quotes, which shells of all systems take -----------------------
  var HARD = /["$`\\%!\u0000-\u001f\u2018-\u201f]/g; // read in different ways within double quotes
  function quoted(name) { return '"' + name.replace(HARD, "?").replace(/^-/, "?") + '"'; }
  var box = document.getElementById("sweep-decide"), action = document.getElementById("decide-action");
  var why = document.getElementById("decide-why"), lines = document.getElementById("decide-lines");
  var said = document.getElementById("decide-status");

  function write() {
    var names = Object.keys(ticked), found = [], reason = why.value.replace(/"/g, "'").replace(HARD, " ").trim();
    box.hidden = !names.length;
    for (var i = 0; i < names.length; i += 40) { // a line that every shell takes
      found.push("sts mark " + quoted(box.dataset.session) + " --" + action.value + " " + names.slice(i, i + 40).map(quoted).join(" ") +
        ' --why "' + reason + '"');
    }
    lines.value = reason || !names.length ? found.join("\n") : "";
    said.textContent = names.length + (names.length === 1 ? " sweep" : " sweeps") + " ticked" + (reason ? "" : "; give a reason");
    document.getElementById("decide-copy").disabled = !lines.value;
  }
  action.addEventListener("change", write);
  why.addEventListener("input", write);
  document.getElementById("decide-none").addEventListener("click", function () {
    ticked = {};
    Array.prototype.forEach.call(body.querySelectorAll("input.tick"), function (tick) { tick.checked = false; });
    write();
  });
  document.getElementById("decide-copy").addEventListener("click", function () {
    lines.focus(); lines.select();
    var done = false;
    try { done = document.execCommand("copy"); } catch (error) { done = false; } // works from disk, too
    said.textContent = done ? "copied" : "selected: copy it with the keyboard";
  });

  Array.prototype.forEach.call(body.rows, function (row) {
    var cell = row.cells[1], button = document.createElement("button"), tick = document.createElement("input");
    var name = cell.textContent;
    button.type = "button"; button.className = "look"; button.textContent = name;
    button.setAttribute("aria-expanded", "false");
    cell.dataset.name = name; cell.textContent = ""; cell.appendChild(button);
    tick.type = "checkbox"; tick.className = "tick"; tick.setAttribute("aria-label", "decide about " + name);
    row.cells[0].insertBefore(tick, row.cells[0].firstChild);
    button.addEventListener("click", function () { toggle(row, button); });
    tick.addEventListener("change", function () {
      if (tick.checked) { ticked[name] = true; } else { delete ticked[name]; }
      write();
    });
  });
  table.addEventListener("rows-moved", function () { // rows were filtered or sorted: pictures would stand under others
    Array.prototype.forEach.call(body.querySelectorAll("tr.picture"), function (row) { body.removeChild(row); });
    Array.prototype.forEach.call(body.querySelectorAll("button.look"), function (button) { button.setAttribute("aria-expanded", "false"); });
  });
  write();
}());
