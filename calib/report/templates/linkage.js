(function () {
  var d = JSON.parse(document.getElementById('linkage-data').textContent);
  var slider = document.getElementById('linkage-slider'), said = document.getElementById('linkage-said');
  var times = document.getElementById('linkage-times');
  function line(a, b, k) {
    var out = '';
    for (var i = 0; i < a.length; i++) {
      var v = b && b.length === a.length ? b[i] + k * (a[i] - b[i]) : a[i];
      out += v.toFixed(1) + (i % 2 ? ' ' : ',');
    }
    return out;
  }
  function show(i) {
    ['design', 'built'].forEach(function (which) {
      ['plan', 'side'].forEach(function (view) {
        var g = document.getElementById('lv-' + which + '-' + view), f = d[which][i];
        var base = which === 'built' ? d.design[i] : null;
        if (!g) { return; }
        for (var k = 0; k < g.children.length; k++) {
          g.children[k].setAttribute('points', f ? line(f[view][k], base && base[view][k], +times.value) : '');
        }
      });
    });
    said.textContent = d.said[i];
  }
  slider.addEventListener('input', function () { show(+slider.value); });
  times.addEventListener('change', function () { show(+slider.value); });
  function step(by) { slider.value = +slider.value + by; show(+slider.value); }
  document.getElementById('linkage-back').addEventListener('click', function () { step(-1); });
  document.getElementById('linkage-on').addEventListener('click', function () { step(1); });
}());
