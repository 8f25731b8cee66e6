(function () {
  var d = JSON.parse(document.getElementById('whatif-data').textContent), UNKNOWN = -32768;
  function numbers(text) {
    var raw = atob(text), bytes = new Uint8Array(raw.length);
    for (var i = 0; i < raw.length; i++) { bytes[i] = raw.charCodeAt(i); }
    var view = new DataView(bytes.buffer), out = new Int16Array(raw.length / 2);
    for (var k = 0; k < out.length; k++) { out[k] = view.getInt16(2 * k, true); }
    return out;
  }
  d.figures.forEach(function (f) { f.values = numbers(f.table); f.widths = numbers(f.u95.table); });
  Object.keys(d.sides).forEach(function (s) { d.sides[s].values = numbers(d.sides[s].table); });
  var now = { set: 0, steps: d.rods.map(function (r) { return r.now; }) };
  var at = { set: 0, steps: now.steps.slice() };

  function row(set, steps, rods) {  // the last rod is the quickest
    return rods.reduce(function (i, r) { return i * d.rods[r].amounts.length + steps[r]; }, set);
  }
  var every = d.rods.map(function (_, k) { return k; });

  function figure(k, x) {  // value and half-width, or null out of reach
    var f = d.figures[k], i = row(x.set, x.steps, every), v = f.values[i], u = f.widths[i] * f.u95.scale;
    if (v === UNKNOWN || f.widths[i] === UNKNOWN) { return null; }
    var sum = u * u + Math.pow(x.set ? d.hole_u95[x.set][k] : 0, 2);
    d.rods.forEach(function (r, j) {
      if (x.steps[j] !== r.now) { sum += Math.pow(d.rod_u95[x.set][j][k], 2); }
    });
    return { value: v * f.scale, u95: Math.sqrt(sum), judged: Math.sqrt(sum + f.doubt * f.doubt) };
  }

  function verdict(f, x) {  // ISO 14253-1
    if (!x) { return ["can't tell yet", '']; }
    var off = f.most ? x.value - f.target : Math.abs(x.value - f.target);
    if (off + x.judged <= f.tolerance + 1e-9) { return ['met', 'met']; }
    return off - x.judged > f.tolerance + 1e-9 ? ['not met', 'not'] : ["can't tell yet", ''];
  }

  function said(f, x) {
    return x ? x.value.toFixed(f.digits) + ' \u00b1 ' + x.u95.toFixed(f.digits) : 'out of reach';
  }

  function cell(tr, text, kind, head) {
    var td = document.createElement('td');
    td.setAttribute('role', 'cell');
    if (kind) { td.className = kind; }
    if (head) { td.setAttribute('data-h', head); }
    td.textContent = text;
    tr.appendChild(td);
    return td;
  }

  function curve(side, x) {
    var s = d.sides[side], n = d.lever.length, i = n * row(x.set, x.steps, s.rods), out = [];
    for (var k = 0; k < n; k++) {
      var v = s.values[i + k];
      out.push(v === UNKNOWN ? null : v * s.scale - s.drawn[k]);
    }
    return out;
  }

  function broken(x) {
    return Object.keys(d.sides).some(function (s) { return d.sides[s].broken[row(x.set, x.steps, d.sides[s].rods)] === '1'; });
  }

  var svg = document.getElementById('wi-svg'), frame = svg.parentNode;
  var STYLE = { left: ['#0072B2', ''], right: ['#D55E00', '9 3'] };

  function draw() {
    var wide = Math.max(frame.clientWidth, 260), high = Math.min(320, 0.62 * wide + 60), x0 = 46, y1 = high - 40;
    var all = [];
    svg.replaceChildren();
    function add(name, set, text) {
      var e = document.createElementNS(svg.namespaceURI, name);
      Object.keys(set).forEach(function (k) { e.setAttribute(k, set[k]); });
      if (text) { e.textContent = text; }
      svg.appendChild(e);
    }
    var lines = [], ends = [];
    Object.keys(d.sides).forEach(function (s) {
      lines.push([s, curve(s, now), true], [s, curve(s, at), false]);
    });
    lines.forEach(function (l) { all = all.concat(l[1].filter(function (v) { return v !== null; })); });
    var low = Math.min.apply(null, all.concat([-0.5])), top = Math.max.apply(null, all.concat([0.5]));
    var step = [0.5, 1, 2, 5, 10, 20].filter(function (s) { return (top - low) / s <= 6; })[0] || 50;
    low = Math.floor(low / step) * step; top = Math.ceil(top / step) * step;
    var a = d.lever[0], b = d.lever[d.lever.length - 1];
    function X(v) { return x0 + (v - a) / (b - a) * (wide - x0 - 50); }
    function Y(v) { return y1 - (v - low) / (top - low) * (y1 - 28); }
    svg.setAttribute('viewBox', '0 0 ' + wide + ' ' + high);
    svg.setAttribute('width', wide);
    svg.setAttribute('height', high);
    for (var v = low; v <= top + 1e-9; v += step) {
      add('line', { x1: x0, x2: wide - 50, y1: Y(v), y2: Y(v), stroke: Math.abs(v) < 1e-9 ? '#777' : '#e3e3e3' });
      add('text', { x: x0 - 6, y: Y(v) + 4, 'text-anchor': 'end' }, (v > 0 ? '+' : '') + (Math.round(10 * v) / 10));
    }
    for (var t = Math.ceil(a / 10) * 10; t <= b; t += wide < 420 ? 20 : 10) {
      add('line', { x1: X(t), x2: X(t), y1: y1, y2: y1 + 5, stroke: '#555' });
      add('text', { x: X(t), y: y1 + 18, 'text-anchor': 'middle' }, String(t));
    }
    add('text', { x: (x0 + wide - 50) / 2, y: high - 6, 'text-anchor': 'middle' }, d.driver);
    add('text', { x: 2, y: 11 }, 'steer less drawn, deg');
    lines.forEach(function (l) {
      var path = '', pen = 'M', end = null;
      l[1].forEach(function (v, k) {
        if (v === null) { pen = 'M'; return; }
        path += pen + X(d.lever[k]).toFixed(1) + ',' + Y(v).toFixed(1);
        pen = 'L'; end = v;
      });
      add('path', { d: path, fill: 'none', stroke: l[2] ? '#8a8f94' : STYLE[l[0]][0], 'stroke-width': l[2] ? 1.3 : 2.4,
                    'stroke-dasharray': l[2] ? '3 3' : STYLE[l[0]][1] });
      if (end !== null && !l[2]) { ends.push([l[0], Y(end) + 4]); }
    });
    ends.sort(function (p, q) { return p[1] - q[1]; });
    ends.forEach(function (e, k) {
      if (k) { e[1] = Math.max(e[1], ends[k - 1][1] + 13); }
      add('text', { x: wide - 46, y: e[1] }, e[0]);
    });
  }

  function show() {
    d.rods.forEach(function (r, k) {
      var mm = r.amounts[at.steps[k]], turns = r.per_turn ? Math.abs(mm / r.per_turn) : 0;
      document.getElementById('wi-rod-' + k).textContent = mm === 0 ? r.length.toFixed(1) + ' mm (now)' :
        (r.length + mm).toFixed(1) + ' mm (' + Math.abs(mm) + ' mm ' + (mm > 0 ? 'longer' : 'shorter') +
        (turns ? ', ' + turns + (turns <= 1 ? ' turn' : ' turns') : '') + ')';
    });
    document.querySelectorAll('#whatif select').forEach(function (s) { s.value = d.sets[at.set][+s.dataset.point]; });
    document.querySelectorAll('#whatif button[data-rod]').forEach(function (b) {
      var k = at.steps[+b.dataset.rod] + (+b.dataset.by);
      b.disabled = k < 0 || k >= d.rods[+b.dataset.rod].amounts.length;
    });
    var rows = document.getElementById('wi-rows'), lost = false;
    rows.replaceChildren();
    d.figures.forEach(function (f, k) {
      var tr = document.createElement('tr'), x = figure(k, at), v = verdict(f, x), unit = f.unit ? ' ' + f.unit : '';
      lost = lost || !x;
      tr.setAttribute('role', 'row');
      cell(tr, f.label);
      cell(tr, said(f, figure(k, now)) + unit, 'n', 'now');
      cell(tr, said(f, x) + unit, 'n', 'with this');
      cell(tr, (f.most ? 'at most ' + +(f.target + f.tolerance).toFixed(6) : +f.target.toFixed(6) + ' \u00b1 ' +
           +f.tolerance.toFixed(6)) + unit, 'n', 'wanted');
      var badge = document.createElement('span');
      badge.className = 'tag ' + v[1];
      badge.textContent = v[0];
      cell(tr, '', 'v').appendChild(badge);
      rows.appendChild(tr);
    });
    var note = document.getElementById('wi-said'), bad = broken(at);
    note.textContent = lost ? 'The rods do not reach through the whole travel: do not set it so.' :
      bad ? 'A limit over the travel is broken with this, or a rod end or part is too near: do not set it so.' :
      at.set === 0 && String(at.steps) === String(now.steps) ? 'As it is now.' : 'No broken limit was seen at a few lever ' +
      'angles. Over centre, rods against each other from left to right, and thread were not looked at here.';
    note.className = 'wi-said' + (lost || bad ? ' bad' : '');
    draw();
  }

  document.getElementById('whatif').hidden = false;
  document.querySelectorAll('#whatif select').forEach(function (s) {
    s.addEventListener('change', function () {
      var want = d.sets[at.set].slice();
      if (!d.combined) { want = d.sets[0].slice(); }
      want[+s.dataset.point] = +s.value;
      at.set = d.sets.findIndex(function (x) { return String(x) === String(want); });
      show();
    });
  });
  document.querySelectorAll('#whatif button[data-rod]').forEach(function (b) {
    b.addEventListener('click', function () { at.steps[+b.dataset.rod] += +b.dataset.by; show(); });
  });
  document.getElementById('wi-now').addEventListener('click', function () {
    at = { set: 0, steps: now.steps.slice() }; show();
  });
  if (d.first) {
    document.getElementById('wi-first').addEventListener('click', function () {
      at = { set: d.first.set, steps: d.first.steps.slice() }; show();
    });
  }
  window.addEventListener('resize', draw);
  show();
}());
