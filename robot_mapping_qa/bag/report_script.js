// Copyright 2026 The robot_mapping_qa authors
// SPDX-License-Identifier: Apache-2.0
// Zooming and reading out of the report's charts. Without it the page says the same.
(function () {
  'use strict';
  var SVG = 'http://www.w3.org/2000/svg';
  var data = JSON.parse(document.getElementById('page-data').textContent);
  var WORDS = {trusted: 'trusted', suspect: 'suspect', held: 'held'};
  var charts = [];
  var box = document.createElement('div');
  box.className = 'readout';
  box.setAttribute('role', 'status');
  document.body.appendChild(box);

  function numberOf(element, name) { return parseFloat(element.getAttribute('data-' + name)); }

  function make(name, attributes, parent) {
    var element = document.createElementNS(SVG, name);
    Object.keys(attributes).forEach(function (key) { element.setAttribute(key, attributes[key]); });
    parent.appendChild(element);
    return element;
  }

  function label(value) {
    var text = String(parseFloat(value.toPrecision(6)));
    return text.replace('-', '\u2212');
  }

  function ticks(low, high, most) {
    var least = (high - low) / most;
    var power = Math.pow(10, Math.floor(Math.log10(least)));
    var step = [1, 2, 5, 10].map(function (each) { return each * power; })
      .filter(function (each) { return each >= least * 0.999; })[0];
    var found = [];
    for (var n = Math.ceil(low / step - 1e-9); n * step <= high + 1e-9 * step; n += 1) {
      found.push(n * step);
    }
    return found;
  }

  // The newest index with times[index] <= time.
  function indexAt(times, time) {
    var low = 0;
    var high = times.length;
    while (low < high) {
      var middle = (low + high) >> 1;
      if (times[middle] <= time) { low = middle + 1; } else { high = middle; }
    }
    return low - 1;
  }

  function clock(time) {
    var tenths = Math.round((data.unit === 'min' ? time * 60 : time) * 10);
    var minutes = Math.floor(tenths / 600);
    var rest = tenths - minutes * 600;
    return minutes + ':' + (rest < 100 ? '0' : '') + (rest / 10).toFixed(1);
  }

  // ---- a chart and the part of it that is in view ----

  function Chart(svg) {
    this.svg = svg;
    this.isPlan = svg.classList.contains('plan');
    this.lens = svg.querySelector('.lens');
    this.whole = this.lens.getAttribute('viewBox').split(' ').map(Number);
    this.view = this.whole.slice();
    this.low = numberOf(svg, 'low');
    this.perPx = (numberOf(svg, 'high') - this.low) / (numberOf(svg, 'end') - numberOf(svg, 'begin'));
    if (this.isPlan) {
      this.yTop = numberOf(svg, 'top-value');
      this.yPerPx = (this.yTop - numberOf(svg, 'bottom-value')) /
        (numberOf(svg, 'bottom') - numberOf(svg, 'top'));
    }
    this.cursor = make('g', {'class': 'cursor', visibility: 'hidden'}, svg);
    if (this.isPlan) {
      make('circle', {r: 7, fill: 'none', stroke: '#1c2733', 'stroke-width': 3}, this.cursor);
      make('circle', {r: 7, fill: 'none', stroke: '#fff', 'stroke-width': 1}, this.cursor);
    } else {
      make('line', {y1: this.areaTop(), y2: this.whole[1] + this.whole[3], stroke: '#1c2733'}, this.cursor);
    }
  }

  Chart.prototype.areaTop = function () {
    var span = this.svg.querySelector('.span');
    return span ? parseFloat(span.getAttribute('y')) : this.whole[1];
  };

  // Value below a place, and place of a value, in the chart's units.
  Chart.prototype.valueAt = function (x) {
    var whole = this.whole;
    return this.low + this.perPx * ((x - whole[0]) / whole[2] * this.view[2] + this.view[0] - whole[0]);
  };
  Chart.prototype.placeOf = function (value) {
    var raw = this.whole[0] + (value - this.low) / this.perPx;
    return this.whole[0] + (raw - this.view[0]) / this.view[2] * this.whole[2];
  };
  Chart.prototype.yValueAt = function (y) {
    var whole = this.whole;
    return this.yTop - this.yPerPx * ((y - whole[1]) / whole[3] * this.view[3] + this.view[1] - whole[1]);
  };
  Chart.prototype.yPlaceOf = function (value) {
    var raw = this.whole[1] + (this.yTop - value) / this.yPerPx;
    return this.whole[1] + (raw - this.view[1]) / this.view[3] * this.whole[3];
  };

  Chart.prototype.draw = function () {
    var chart = this;
    var whole = this.whole;
    var right = whole[0] + whole[2];
    this.lens.setAttribute('viewBox', this.view.join(' '));
    this.redrawTicks();
    this.svg.querySelectorAll('.span').forEach(function (span) {
      var from = Math.max(chart.placeOf(numberOf(span, 'from')), whole[0]);
      var to = Math.min(chart.placeOf(numberOf(span, 'to')), right);
      span.setAttribute('x', from);
      span.setAttribute('width', Math.max(to - from, 0));
    });
    var taken = [];
    this.svg.querySelectorAll('.mark').forEach(function (mark) {
      var x = chart.placeOf(numberOf(mark, 'x'));
      var y = chart.isPlan ? chart.yPlaceOf(numberOf(mark, 'y')) : null;
      var there = x >= whole[0] - 0.5 && x <= right + 0.5 &&
        (y === null || (y >= whole[1] - 0.5 && y <= whole[1] + whole[3] + 0.5));
      if (mark.querySelector('text') && there) {
        // A number that would lie on one before it shows once there is room for it.
        var crowded = taken.some(function (other) {
          return Math.hypot(other[0] - x, other[1] - (y || 0)) < 24;
        });
        mark.classList.toggle('crowded', crowded);
        if (!crowded) { taken.push([x, y || 0]); }
      }
      mark.style.display = there ? '' : 'none';
      var old = mark.getAttribute('transform').match(/translate\(([-\d.]+)[ ,]([-\d.]+)\)/);
      mark.setAttribute('transform', 'translate(' + x.toFixed(1) + ' ' +
        (y === null ? old[2] : y.toFixed(1)) + ')');
    });
    this.cursor.setAttribute('visibility', 'hidden');
  };

  Chart.prototype.redrawTicks = function () {
    var chart = this;
    var group = this.svg.querySelector('.xticks');
    var bottom = numberOf(group, 'y');
    var top = numberOf(group, 'top');
    var right = this.whole[0] + this.whole[2];
    group.textContent = '';
    ticks(this.valueAt(this.whole[0]), this.valueAt(right), this.isPlan ? 8 : 9).forEach(function (value) {
      var x = chart.placeOf(value);
      make('line', {x1: x, x2: x, y1: top, y2: bottom + 4, stroke: '#e3e7ea'}, group);
      make('text', {x: x, y: bottom + 22, 'text-anchor': 'middle', 'font-size': 12}, group)
        .textContent = label(value);
    });
    group = this.svg.querySelector('.yticks');
    if (!group) { return; }
    var low = this.yValueAt(this.whole[1] + this.whole[3]);
    group.textContent = '';
    ticks(low, this.yValueAt(this.whole[1]), 6).forEach(function (value) {
      var y = chart.yPlaceOf(value);
      make('line', {x1: chart.whole[0], x2: right, y1: y, y2: y, stroke: '#e3e7ea'}, group);
      make('text', {x: chart.whole[0] - 6, y: y + 4, 'text-anchor': 'end', 'font-size': 12}, group)
        .textContent = label(value);
    });
  };

  // Look at a part of it; never beyond the whole, never closer than a thousandth.
  Chart.prototype.look = function (x, y, width, height) {
    var whole = this.whole;
    width = Math.min(Math.max(width, whole[2] / 1000), whole[2]);
    x = Math.min(Math.max(x, whole[0]), whole[0] + whole[2] - width);
    if (this.isPlan) {
      height = whole[3] * width / whole[2];
      y = Math.min(Math.max(y, whole[1]), whole[1] + whole[3] - height);
      this.view = [x, y, width, height];
      this.draw();
      return;
    }
    // Charts over time show the same stretch, so that what belongs together stays below itself.
    var share = [(x - whole[0]) / whole[2], width / whole[2]];
    charts.forEach(function (other) {
      if (other.isPlan) { return; }
      other.view = [other.whole[0] + share[0] * other.whole[2], other.whole[1],
        share[1] * other.whole[2], other.whole[3]];
      other.draw();
    });
  };

  Chart.prototype.zoom = function (factor, x, y) {
    var view = this.view;
    var whole = this.whole;
    var across = x === undefined ? 0.5 : (x - whole[0]) / whole[2];
    var down = y === undefined ? 0.5 : (y - whole[1]) / whole[3];
    var width = Math.min(view[2] * factor, whole[2]);
    var height = Math.min(view[3] * factor, whole[3]);
    this.look(view[0] + across * (view[2] - width), view[1] + down * (view[3] - height), width, height);
  };

  Chart.prototype.reset = function () { this.look.apply(this, this.whole); };

  // ---- reading out ----

  function spanAt(time) {
    var found = data.spans.filter(function (span) { return span[0] <= time && time <= span[1]; });
    return found.length ? found[found.length - 1][2] : null;
  }

  function holdsAt(time) {
    var lines = [];
    data.holds.forEach(function (hold, index) {
      if (hold[0] <= time && (hold[1] === null || time <= hold[1])) {
        lines.push('Hold ' + (index + 1) + ': ' + hold[2]);
      }
    });
    return lines.slice(0, 2);
  }

  function valuesAt(id, time) {
    return (data.series[id] || []).map(function (series) {
      var index = indexAt(series.t, time);
      var value = index < 0 ? null : series.v[index];
      return series.name + ': ' + (value === null ? 'not known'
        : value.toFixed(series.digits).replace('-', '\u2212') + ' ' + series.unit);
    });
  }

  function say(lines, event) {
    box.textContent = '';
    lines.forEach(function (line, index) {
      var row = document.createElement(index ? 'div' : 'b');
      row.textContent = line;
      box.appendChild(row);
    });
    box.style.display = 'block';
    var x = event.clientX + 16;
    if (x + box.offsetWidth > window.innerWidth - 6) { x = event.clientX - box.offsetWidth - 16; }
    var y = Math.min(event.clientY + 14, window.innerHeight - box.offsetHeight - 6);
    box.style.left = Math.max(x, 6) + 'px';
    box.style.top = Math.max(y, 6) + 'px';
  }

  // The same instant in every chart and on the path.
  function pointAt(time) {
    charts.forEach(function (chart) {
      var x, y;
      if (chart.isPlan) {
        var index = Math.max(indexAt(data.path.t, time), 0);
        x = chart.placeOf(data.path.x[index]);
        y = chart.yPlaceOf(data.path.y[index]);
        var whole = chart.whole;
        if (x < whole[0] || x > whole[0] + whole[2] || y < whole[1] || y > whole[1] + whole[3]) {
          chart.cursor.setAttribute('visibility', 'hidden');
          return;
        }
      } else {
        x = chart.placeOf(time);
        y = 0;
      }
      chart.cursor.setAttribute('transform', 'translate(' + x + ' ' + y + ')');
      chart.cursor.setAttribute('visibility', 'visible');
    });
  }

  function quiet() {
    box.style.display = 'none';
    charts.forEach(function (chart) { chart.cursor.setAttribute('visibility', 'hidden'); });
  }

  Chart.prototype.point = function (event) {
    var matrix = this.svg.getScreenCTM().inverse();
    return new DOMPoint(event.clientX, event.clientY).matrixTransform(matrix);
  };

  Chart.prototype.readOut = function (event) {
    var at = this.point(event);
    var whole = this.whole;
    var time, lines;
    if (at.x < whole[0] || at.x > whole[0] + whole[2]) { quiet(); return; }
    if (this.isPlan) {
      var best = this.nearest(at);
      if (best === null) { quiet(); return; }
      time = data.path.t[best];
      lines = valuesAt('timeline', time);
      lines.push('x ' + label(data.path.x[best]) + ' m, y ' + label(data.path.y[best]) + ' m');
      lines = lines.concat(this.placesNear(at));
    } else {
      time = this.valueAt(at.x);
      lines = valuesAt(this.svg.id, time);
    }
    var verdict = spanAt(time);
    say([clock(time) + (verdict ? ', ' + WORDS[verdict] : '')].concat(lines, holdsAt(time)), event);
    pointAt(time);
  };

  Chart.prototype.nearest = function (at) {
    var best = null;
    var least = 40 * 40;
    for (var index = 0; index < data.path.t.length; index += 1) {
      var dx = this.placeOf(data.path.x[index]) - at.x;
      var dy = this.yPlaceOf(data.path.y[index]) - at.y;
      if (dx * dx + dy * dy < least) { least = dx * dx + dy * dy; best = index; }
    }
    return best;
  };

  Chart.prototype.placesNear = function (at) {
    var chart = this;
    var lines = [];
    data.places.forEach(function (place, index) {
      if (place === null) { return; }
      if (Math.hypot(chart.placeOf(place[0]) - at.x, chart.yPlaceOf(place[1]) - at.y) < 45) {
        lines.push('Place ' + (index + 1) + ': ' + place[2] + ' captures to take again');
      }
    });
    return lines;
  };

  // ---- hands ----

  function button(bar, words, title, action) {
    var element = document.createElement('button');
    element.type = 'button';
    element.textContent = words;
    element.title = title;
    element.addEventListener('click', action);
    bar.appendChild(element);
  }

  function addTools(chart) {
    var bar = document.createElement('div');
    bar.className = 'tools';
    button(bar, '+', 'enlarge', function () { chart.zoom(0.5); });
    button(bar, '\u2212', 'show more', function () { chart.zoom(2); });
    button(bar, 'whole', 'show everything', function () { chart.reset(); });
    var hint = document.createElement('span');
    hint.textContent = chart.isPlan ? 'drag to move, point to read' :
      'drag over a stretch to enlarge it, point to read';
    bar.appendChild(hint);
    var figure = chart.svg.closest('figure');
    figure.parentNode.insertBefore(bar, figure);
  }

  function addPointer(chart) {
    var begin = null;
    var frame = null;
    chart.svg.addEventListener('pointerdown', function (event) {
      // A finger scrolls the page and taps to read; it zooms by the buttons.
      if (event.pointerType === 'touch') { chart.readOut(event); return; }
      if (event.button) { return; }
      begin = {at: chart.point(event), view: chart.view.slice()};
      chart.svg.setPointerCapture(event.pointerId);
      event.preventDefault();
    });
    chart.svg.addEventListener('pointermove', function (event) {
      if (event.pointerType === 'touch') { return; }
      if (!begin) { chart.readOut(event); return; }
      var at = chart.point(event);
      if (chart.isPlan) {
        var scale = begin.view[2] / chart.whole[2];
        chart.look(begin.view[0] - (at.x - begin.at.x) * scale,
          begin.view[1] - (at.y - begin.at.y) * scale, begin.view[2], begin.view[3]);
        return;
      }
      if (!frame) {
        frame = make('rect', {y: chart.areaTop(), height: chart.whole[1] + chart.whole[3] - chart.areaTop(),
          fill: '#1c2733', 'fill-opacity': 0.14}, chart.svg);
      }
      frame.setAttribute('x', Math.min(begin.at.x, at.x));
      frame.setAttribute('width', Math.abs(at.x - begin.at.x));
    });
    function end(event) {
      if (frame) {
        frame.remove();
        frame = null;
        var at = chart.point(event);
        var low = Math.min(begin.at.x, at.x);
        var high = Math.max(begin.at.x, at.x);
        if (high - low > 6) {
          var scale = chart.view[2] / chart.whole[2];
          chart.look(chart.view[0] + (low - chart.whole[0]) * scale, chart.whole[1],
            (high - low) * scale, chart.whole[3]);
        }
      }
      begin = null;
    }
    chart.svg.addEventListener('pointerup', end);
    chart.svg.addEventListener('pointercancel', end);
    chart.svg.addEventListener('pointerleave', function () { if (!begin) { quiet(); } });
    chart.svg.addEventListener('dblclick', function () { chart.reset(); });
    chart.svg.addEventListener('wheel', function (event) {
      // Without the key the wheel scrolls the page, as everywhere.
      if (!event.ctrlKey) { return; }
      event.preventDefault();
      var at = chart.point(event);
      chart.zoom(event.deltaY > 0 ? 1.25 : 0.8, at.x, at.y);
    }, {passive: false});
  }

  document.querySelectorAll('svg.time, svg.plan').forEach(function (svg) {
    var chart = new Chart(svg);
    charts.push(chart);
    addTools(chart);
    addPointer(chart);
  });
  window.addEventListener('scroll', quiet, {passive: true});
  // Paper shows everything.
  window.addEventListener('beforeprint', function () {
    charts.forEach(function (chart) { chart.reset(); });
    document.querySelectorAll('details').forEach(function (each) { each.open = true; });
  });
}());
