// Stretches the timeline: buttons, keys, or a stretch dragged with the pointer.
(function () {
  "use strict";
  var figure = document.getElementById("timeline");
  var svg = figure && figure.querySelector("svg.plot");
  if (!svg) { return; }
  var data = svg.dataset, left = +data.left, plot = +data.plot;
  var start = +data.from, whole = +data.to - start;
  var closest = 1 / 400;
  // What is shown, as parts of the whole.
  var from = 0, to = 1;
  var tools = figure.querySelector(".tools"), shown = figure.querySelector(".shown");
  var space = "http://www.w3.org/2000/svg";
  var each = function (selector, act) { Array.prototype.forEach.call(svg.querySelectorAll(selector), act); };

  function ticks() {
    var low = start + from * whole, high = start + to * whole;
    var rough = (high - low) / 10, decade = Math.pow(10, Math.floor(Math.log10(rough)));
    var step = [1, 2, 5, 10].map(function (f) { return f * decade; }).filter(function (s) { return s >= rough * 0.999; })[0];
    var digits = Math.max(0, -Math.floor(Math.log10(step) + 1e-9)), found = [];
    for (var k = Math.ceil(low / step - 1e-9); k * step <= high + step * 1e-9; k += 1) {
      found.push({ x: (k * step - low) / (high - low) * plot, words: (k * step).toFixed(digits) + " s" });
    }
    return found;
  }

  function element(name, attributes, words) {
    var made = document.createElementNS(space, name);
    Object.keys(attributes).forEach(function (key) { made.setAttribute(key, attributes[key]); });
    made.textContent = words || "";
    return made;
  }

  function draw() {
    var scale = 1 / (to - from), shift = -from * plot * scale, marks = ticks();
    each(".stretched", function (g) { g.setAttribute("transform", "translate(" + shift + " 0) scale(" + scale + " 1)"); });
    each(".pin", function (g) {
      var x = +g.dataset.x * scale + shift, width = +g.dataset.width * scale;
      if (g.dataset.need) {
        // The word stays in sight as long as a part of its stretch does.
        var seen = Math.min(x + width, plot) - Math.max(x, 0);
        g.setAttribute("visibility", seen < +g.dataset.need ? "hidden" : "visible");
        x = Math.max(x, 0);
      }
      g.setAttribute("transform", "translate(" + x + " 0)");
    });
    each(".uprights", function (g) {
      g.replaceChildren.apply(g, marks.map(function (mark) {
        return element("line", { "class": "grid", x1: mark.x, x2: mark.x, y1: 0, y2: g.dataset.height });
      }));
    });
    var times = svg.querySelector(".times");
    times.replaceChildren.apply(times, marks.map(function (mark) {
      return element("text", { "class": "time", x: mark.x }, mark.words);
    }));
    shown.textContent = "Shown: " + (start + from * whole).toFixed(2) + " s to " + (start + to * whole).toFixed(2) + " s";
  }

  function show(low, high) {
    var width = Math.min(1, Math.max(closest, high - low));
    var middle = (low + high) / 2;
    from = Math.min(Math.max(0, middle - width / 2), 1 - width);
    to = from + width;
    draw();
  }

  var acts = {
    nearer: function () { var w = to - from; show(from + w / 4, to - w / 4); },
    farther: function () { var w = to - from; show(from - w / 2, to + w / 2); },
    earlier: function () { var w = (to - from) / 4; show(from - w, to - w); },
    later: function () { var w = (to - from) / 4; show(from + w, to + w); },
    whole: function () { show(0, 1); }
  };
  var keys = { "+": "nearer", "=": "nearer", "-": "farther", ArrowLeft: "earlier", ArrowRight: "later", "0": "whole", Home: "whole" };

  Array.prototype.forEach.call(tools.querySelectorAll("button"), function (button) {
    button.addEventListener("click", function () { acts[button.dataset.act](); });
  });
  figure.addEventListener("keydown", function (event) {
    var act = keys[event.key];
    if (act && !event.ctrlKey && !event.metaKey && !event.altKey) {
      acts[act]();
      event.preventDefault();
    }
  });

  // The pointer's place as a part of what is shown.
  function place(event) {
    var box = svg.getBoundingClientRect(), size = svg.viewBox.baseVal.width / box.width;
    var part = ((event.clientX - box.left) * size - left) / plot;
    return from + Math.min(1, Math.max(0, part)) * (to - from);
  }
  var begun = null, frame = element("rect", { "class": "dragged", y: 0, height: svg.viewBox.baseVal.height, visibility: "hidden" });
  svg.appendChild(frame);
  svg.addEventListener("pointerdown", function (event) {
    if (event.button === 0 && event.pointerType !== "touch") { begun = place(event); svg.setPointerCapture(event.pointerId); }
  });
  svg.addEventListener("pointermove", function (event) {
    if (begun === null) { return; }
    var now = place(event), x = function (p) { return left + (p - from) / (to - from) * plot; };
    frame.setAttribute("x", x(Math.min(begun, now)));
    frame.setAttribute("width", Math.abs(x(now) - x(begun)));
    frame.setAttribute("visibility", "visible");
  });
  svg.addEventListener("pointerup", function (event) {
    if (begun === null) { return; }
    var now = place(event), low = Math.min(begun, now), high = Math.max(begun, now);
    begun = null;
    frame.setAttribute("visibility", "hidden");
    if ((high - low) / (to - from) > 0.01) { show(low, high); }
  });
  svg.addEventListener("pointercancel", function () { begun = null; frame.setAttribute("visibility", "hidden"); });
  svg.addEventListener("dblclick", acts.whole);

  tools.hidden = false;
  figure.tabIndex = 0;
  draw();
}());
