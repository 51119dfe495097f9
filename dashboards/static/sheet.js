// hangtrue: theme, elevation slider, live figures. No inline script, no eval; works under script-src 'self'.
(() => {
  const own = document.currentScript.dataset, root = document.documentElement, $ = (s, e = document) => [...e.querySelectorAll(s)];
  // theme: the server reads the cookie and writes data-theme
  const isSlate = () => root.dataset.theme ? root.dataset.theme === 'slate' : matchMedia('(prefers-color-scheme: dark)').matches;
  $('.themer').forEach(b => b.addEventListener('click', () => {
    root.dataset.theme = isSlate() ? 'paper' : 'slate';
    document.cookie = 'sheet=' + root.dataset.theme + '; path=/; max-age=31536000; samesite=lax';
    $('.plot.live').forEach(paint);
  }));

  // elevation: redraw the leaf at k times the droop
  const ex = document.getElementById('ex'), el = document.querySelector('.elev');
  if (ex && el) {
    const g = { leaf: el.querySelector('.leaf'), panel: el.querySelector('.panel'), joint: el.querySelector('.joint'), s: el.querySelector('#dropS'), c: el.querySelector('#dropC'), r: $('.gauge, .knob', el) };
    const W = +el.dataset.w, H = +el.dataset.h, k0 = +ex.value, out = document.querySelector('output[for=ex]');
    const total = +el.dataset.stays + +el.dataset.season, shift = (d, k) => d.replace(/([ML])(-?[\d.]+) (-?[\d.]+)|V(-?[\d.]+)/g, (m, c, x, y, v) => {
      if (c) { shift.x = +x; return c + x + ' ' + (+y + total * (k - k0) * shift.x / W).toFixed(1); }
      return 'V' + (+v + total * (k - k0) * shift.x / W).toFixed(1);
    });
    const was = { panel: g.panel.getAttribute('d'), joint: g.joint.getAttribute('d'), r: g.r.map(c => [+c.getAttribute('cx'), +c.getAttribute('cy')]) };
    ex.addEventListener('input', () => {
      const k = +ex.value, d = total * k, s = +el.dataset.stays * k;
      out.textContent = k + ' ×';
      ex.setAttribute('aria-valuetext', k === 1 ? 'as it is' : k + ' times');
      g.leaf.setAttribute('d', `M0 0L${W} ${d}V${H + d}L0 ${H}Z`);
      g.panel.setAttribute('d', shift(was.panel, k)); g.joint.setAttribute('d', shift(was.joint, k));
      g.r.forEach((c, i) => c.setAttribute('cy', was.r[i][1] + total * (k - k0) * was.r[i][0] / W));
      if (g.s) { g.s.setAttribute('d', `M${W + 45} ${H}V${H + s}`); g.c.setAttribute('d', `M${W + 45} ${H + s}V${H + d}`); }
    });
  }

  // live figures: fetched only where a figure is near the screen; the still stays if anything fails
  const plots = $('.plot[data-figure]');
  if (!plots.length || !('IntersectionObserver' in window)) return;
  let lib, tpl;
  const load = () => lib ||= new Promise((ok, no) => { const s = document.createElement('script'); s.src = own.plotly; s.onload = ok; s.onerror = no; document.head.append(s); });
  const get = u => fetch(u).then(r => r.ok ? r.json() : Promise.reject(r.status));
  const css = k => getComputedStyle(root).getPropertyValue('--' + k).trim();
  const traces = (f, isAhead) => [...f.traces, ...(isAhead ? f.onward : [])].map(t => {
    const line = (c, w, dash) => ({ color: css(c), width: w, dash: dash || 'solid' }), o = { ...t, type: 'scatter', mode: 'lines', hoverinfo: 'skip' }, r = t.role, u = f.unit || 'mm';
    if (r === 'stays') Object.assign(o, { line: line('stays', 2.2), fill: 'tozeroy', fillcolor: css('stays-wash'), hoverinfo: 'all', hovertemplate: 'stays %{y:.2f} ' + u + ', between %{customdata[0]:.2f} and %{customdata[1]:.2f}<extra></extra>' });
    else if (r === 'season') Object.assign(o, { line: line('season', 1.5), fill: 'tonexty', fillcolor: css('season-wash'), hoverinfo: 'all', hovertemplate: 'comes back %{customdata[0]:.2f} ' + u + '<extra></extra>' });
    else if (r === 'alone') Object.assign(o, { line: line('pencil', 1.8), hoverinfo: 'all', hovertemplate: 'measured %{y:.2f} ' + u + '<extra></extra>' });
    else if (r.startsWith('ahead')) Object.assign(o, { line: line('stays', 1.8, '2px,5px') }, r === 'aheadband' ? { fill: 'tonexty', fillcolor: css('stays-wash') + '8c' } : {});
    else if (r === 'seen') Object.assign(o, { line: line('pencil', 1.1), opacity: .85, hoverinfo: 'all', hovertemplate: 'measured %{y:.2f} ' + u + '<extra></extra>' });
    else if (r === 'bandlo') o.line = line('stays', .8, t.dash === 'solid' ? 'solid' : '3px,3px');
    else if (r === 'band') Object.assign(o, { line: line('stays', .8, t.dash === 'solid' ? 'solid' : '3px,3px'), fill: 'tonexty', fillcolor: css('stays-wash') + '8c' });
    else if (r === 'pair') Object.assign(o, { line: line('stays', 2.2, t.dash), hoverinfo: 'all', hovertemplate: t.name + ' %{y:.2f} ' + (f.unit || 'mm') + ' stays<extra></extra>' });
    else if (r.startsWith('year')) { const j = +r[4]; Object.assign(o, { line: line('season', [1, 1, 1.2, 1.4, 2.5][j]), opacity: [.25, .38, .52, .68, 1][j], hoverinfo: 'all', hovertemplate: '%{text}<br>%{x:.1f} % damp, %{y:.2f} mm<extra></extra>' }); }
    delete o.role; delete o.dash; return o;
  });
  function paint(box) {
    const f = box.figure, isAhead = box.span === 'limit' && !!f.onward, step = isAhead ? f.onwardStep : f.dtick;
    const L = { template: tpl.templates[isSlate() ? 'slate' : 'paper'], yaxis: { range: isAhead ? f.onwardY : f.y, autorange: false, dtick: step, tick0: 0, tickformat: step < .1 ? '.2f' : step < 1 ? '.1f' : '.0f' }, shapes: [], annotations: [] };
    if (innerWidth < 736) L.margin = { l: 40 };
    const hung = { type: 'line', xref: 'paper', x0: 0, x1: 1, y0: 0, y1: 0 };
    if (f.kind !== 'loop') { L.shapes.push(hung); L.annotations.push({ xref: 'paper', x: 1, xanchor: 'right', y: 0, yshift: 2, text: f.lineWord || 'hung line' }); }
    if (f.kind === 'time') {
      const limit = isAhead ? f.onward[0].y[1] : f.limit, pencil = css('pencil'), hand = { family: 'Patrick Hand, cursive', size: 16, color: pencil };
      L.xaxis = { range: isAhead ? f.onwardSpan : f.spans[box.span || 'hung'], type: 'date', tickformatstops: L.template.layout.xaxis.tickformatstops };
      if (limit !== null) L.shapes.push({ ...hung, y0: limit, y1: limit, line: { dash: '2px,5px', width: 1.5, color: css('ink') } });
      if (limit !== null) L.annotations.push({ xref: 'paper', x: 0, xanchor: 'left', y: limit, text: f.limitWord });
      f.ticks.forEach(t => {
        L.shapes.push({ type: 'line', xref: 'x', x0: t.x, x1: t.x, yref: 'paper', y0: 0, y1: .05, line: { width: 1.5, color: pencil } });
        if (t.text) L.annotations.push({ x: t.x, yref: 'paper', y: .05, yanchor: 'bottom', text: t.text, font: hand });
      });
      if (isAhead) {
        L.shapes.push({ type: 'line', xref: 'x', x0: f.onwardFrom, x1: f.onwardFrom, yref: 'paper', y0: 0, y1: 1, line: { dash: '4px,4px', width: 1, color: css('edge') } });
        L.annotations.push({ x: f.onwardFrom, xanchor: 'right', xshift: -6, yref: 'paper', y: .16, yanchor: 'bottom', text: 'if it goes on so', font: hand });
      }
    } else { L.xaxis = { range: f.x, hoverformat: '.1f' }; }
    if (f.kind === 'loop') { L.hovermode = 'closest'; L.xaxis.ticksuffix = ' %'; L.xaxis.dtick = f.xdtick; L.yaxis.zeroline = true; L.yaxis.zerolinecolor = css('ink'); L.yaxis.zerolinewidth = 2;
      const hand = { family: 'Patrick Hand, cursive', size: 16, color: css('pencil') }, last = f.traces.at(-1);
      L.annotations.push(...f.words.map(w => ({ ...w, xanchor: 'center', yanchor: 'middle', font: hand })), { x: last.x.at(-1), y: last.y.at(-1), yshift: -9, yanchor: 'top', xanchor: 'center', text: 'now' });
      L.shapes.push({ type: 'circle', xsizemode: 'pixel', ysizemode: 'pixel', xanchor: last.x.at(-1), yanchor: last.y.at(-1), x0: -5, x1: 5, y0: -5, y1: 5, fillcolor: css('season'), line: { width: 0 } }); }
    if (f.kind === 'pair') { L.xaxis.ticksuffix = ' y'; L.xaxis.dtick = 1; L.xaxis.tick0 = 1; f.traces.filter(t => t.role === 'pair').forEach(t => L.annotations.push({ xref: 'paper', x: 1, xanchor: 'right', y: t.y.at(-1), yanchor: 'middle', text: t.name, font: { color: css('stays'), weight: 600 } })); }
    return Plotly.react(box.live, traces(f, isAhead), L, tpl.config);
  }
  const seen = new IntersectionObserver(es => es.filter(e => e.isIntersecting).forEach(async e => {
    const box = e.target; seen.unobserve(box);
    try {
      const [, f, t] = await Promise.all([load(), get(box.dataset.figure), tpl || get(own.template)]);
      tpl = t; box.figure = f; box.live = document.createElement('div'); box.live.className = 'live-box'; box.append(box.live);
      await paint(box); box.classList.add('live');
    } catch { box.live?.remove(); }
  }), { rootMargin: '200px' });
  addEventListener('load', () => setTimeout(() => plots.forEach(p => seen.observe(p)), 50));
  $('.btns[data-for]').forEach(g => g.addEventListener('click', e => {
    const b = e.target.closest('button'); if (!b) return;
    const box = g.parentElement.querySelector('.plot'); if (!box.figure) return;
    box.span = b.dataset.span; $('button', g).forEach(x => x.setAttribute('aria-pressed', x === b)); paint(box);
  }));
})();
