(function () {
  var d = JSON.parse(document.getElementById('linkage-data').textContent);
  var slider = document.getElementById('linkage-slider'), said = document.getElementById('linkage-said');
  var times = document.getElementById('linkage-times'), play = document.getElementById('linkage-play');
  var VIEWS = Object.keys(d.sights), timer = null, way = 1;

  function text(numbers) {
    var out = '';
    for (var i = 0; i < numbers.length; i++) { out += numbers[i].toFixed(1) + (i % 2 ? ' ' : ','); }
    return out;
  }
  function line(a, b, k) {
    return b ? a.map(function (v, i) { return b[i] + k * (v - b[i]); }) : a;
  }
  function cross(a, b) { return [a[1] * b[2] - a[2] * b[1], a[2] * b[0] - a[0] * b[2], a[0] * b[1] - a[1] * b[0]]; }
  function dot(a, b) { return a[0] * b[0] + a[1] * b[1] + a[2] * b[2]; }
  function size(a) { return Math.sqrt(dot(a, a)); }
  function unit(a) { var n = size(a); return a.map(function (v) { return v / n; }); }

  // places move along their difference, an axle turns that many times as far: wheels stay round
  function rim(w, base, k, rows) {
    var c = w.slice(0, 3), s = unit(w.slice(3, 6));
    if (base) {
      var s0 = unit(base.slice(3, 6)), n = cross(s0, s), sine = size(n);
      c = line(c, base, k);
      if (sine > 1e-9) {
        var t = k * Math.atan2(sine, dot(s0, s)), e = unit(n), f = cross(e, s0), co = Math.cos(t), si = Math.sin(t);
        s = s0.map(function (v, i) { return v * co + f[i] * si; });
      }
    }
    var u = unit(cross(s, [0, 0, 1])), v = cross(s, u), out = [];
    for (var j = 0; j <= 48; j++) {
      var a = 2 * Math.PI * j / 48, p = c.map(function (x, i) { return x + w[6] * (Math.cos(a) * u[i] + Math.sin(a) * v[i]); });
      out.push(dot(rows[0], p), dot(rows[1], p));
    }
    return out;
  }

  function show(i) {
    var k = +times.value;
    VIEWS.forEach(function (view) {
      var svg = document.getElementById('lv-' + view), box = d.boxes[k][view], now = null;
      svg.setAttribute('viewBox', box.map(function (v) { return v.toFixed(0); }).join(' '));
      svg.style.setProperty('--w', box[2].toFixed(0));
      ['design', 'built'].forEach(function (which) {
        var g = document.getElementById('lv-' + which + '-' + view), f = d[which][i];
        var base = which === 'built' ? d.design[i] : null, count = f ? f[view].length : 0;
        for (var n = 0; n < g.children.length; n++) {
          var at = !f ? [] : n < count ? line(f[view][n], base && base[view][n], k) :
            rim(f.wheels[n - count], base && base.wheels[n - count], k, d.sights[view]);
          g.children[n].setAttribute('points', text(at));
        }
        if (which === 'built') { now = f && f[view].map(function (a, n) { return line(a, base && base[view][n], k); }); }
      });
      var labels = document.getElementById('lv-labels-' + view);
      labels.style.display = now ? '' : 'none';
      for (var m = 0; now && m < labels.children.length; m++) {
        var label = labels.children[m], a = now[+label.dataset.line], x = 0, y = 0, half = a.length / 2;
        for (var j = 0; j < a.length; j += 2) { x += a[j] / half; y += a[j + 1] / half; }
        label.setAttribute('transform', 'translate(' + (x - label.dataset.x).toFixed(1) + ',' + (y - label.dataset.y).toFixed(1) + ')');
      }
    });
    said.textContent = d.said[i];
  }
  function step(by) { slider.value = +slider.value + by; show(+slider.value); }
  function stop() {
    clearInterval(timer);
    timer = null;
    play.textContent = 'play';
    play.setAttribute('aria-pressed', 'false');
  }
  slider.addEventListener('input', function () { stop(); show(+slider.value); });
  times.addEventListener('change', function () { show(+slider.value); });
  document.getElementById('linkage-back').addEventListener('click', function () { stop(); step(-1); });
  document.getElementById('linkage-on').addEventListener('click', function () { stop(); step(1); });
  play.addEventListener('click', function () {
    if (timer) { stop(); return; }
    play.textContent = 'stop';
    play.setAttribute('aria-pressed', 'true');
    timer = setInterval(function () {
      if (+slider.value + way > +slider.max || +slider.value + way < 0) { way = -way; }
      step(way);
    }, 80);
  });
}());
