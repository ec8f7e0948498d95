"""What the fillable run sheet does in the browser: plain JavaScript, no network, names and rules as data.

Every text reaches the page as text (`textContent`), never as markup.
"""

from __future__ import annotations

#: Reads the rotor from the element `rotor` (JSON); marks, keeps and saves what is typed.
SCRIPT = r"""
'use strict';
const rotor = JSON.parse(document.getElementById('rotor').textContent);
const rules = rotor.rules;
const form = document.getElementById('form');
const summary = document.getElementById('summary');

const sections = () => [...form.querySelectorAll('section')];
const boxes = section => [...section.querySelectorAll('input')];
const NUMBER = /^[+-]?(\d+\.?\d*|\.\d+)([eE][+-]?\d{1,2})?$/;
const CLOCK = /^(\d|0\d|1[0-2]):([0-5]\d)$/;

function text(box) { return box.value.replace(/\s+/g, ' ').trim(); }

function number(value) { return NUMBER.test(value) ? Number(value) : NaN; }

// Why a box cannot be taken; '' if it can.
function wrong(box) {
  const value = text(box), kind = box.dataset.kind;
  if (!value || kind === 'text') return '';
  if (/^[+-]?\d+,\d+$/.test(value)) return 'a decimal point, please, not a comma';
  if (kind === 'phase' && CLOCK.test(value)) return '';
  const given = number(value);
  if (Number.isNaN(given)) return kind === 'phase' ? 'degrees, or clock hours as 4:30' : 'a number';
  if (kind === 'amplitude' && given < 0) return 'an amplitude is not below 0';
  if (kind === 'speed' && !(given > 0)) return 'a rotor speed is above 0';
  if (kind === 'phase' && Math.abs(given) > 360) return 'a phase goes to 360 degrees';
  return '';
}

function read(section, quantity) {
  const box = section.querySelector(`input[data-q="${CSS.escape(quantity)}"]`);
  return box && !wrong(box) && text(box) ? number(text(box)) : NaN;
}

function median(values) {
  const sorted = [...values].sort((a, b) => a - b), half = sorted.length >> 1;
  return sorted.length % 2 ? sorted[half] : (sorted[half - 1] + sorted[half]) / 2;
}

const shown = value => String(Number(value.toPrecision(4)));
const times = ratio => ratio < 10 ? ratio.toFixed(2) : String(Number(ratio.toPrecision(2)));

function tips(section) {
  return rotor.blades.map(blade => read(section, `height.${blade}`));
}

// What is said of a regime: [strength, words], 'stop' before 'doubt' before 'note'.
function said(section) {
  const regime = rotor.regimes[section.dataset.regime], found = [];
  rotor.sensors.forEach((sensor, s) => {
    const amplitude = read(section, `${sensor.name}.amp`), phase = section.querySelector(
      `input[data-q="${CSS.escape(`${sensor.name}.deg`)}"]`);
    if (text(phase) && Number.isNaN(amplitude)) found.push(['doubt', `${sensor.words}: a phase without an amplitude.`]);
    if (Number.isNaN(amplitude)) return;
    const limit = regime.limit[s], stop = regime.stop[s], goOn = regime.go_on[s];
    const here = `${sensor.words} ${shown(amplitude)} ${sensor.unit}`;
    if (stop !== null && amplitude >= stop) found.push(['stop', `STOP. ${here}: at or above the stop limit of ${stop}. `
      + 'Stop running, find the cause, adjust nothing over it.']);
    else if (goOn !== null && amplitude > goOn) found.push(['stop', `NO FURTHER. ${here}: above your go-on figure of `
      + `${goOn}. Do not go on to a further condition.`]);
    if (amplitude > Math.min(rules.times_limit * limit, stop === null ? Infinity : rules.times_stop * stop))
      found.push(['doubt', `${here} is ${times(amplitude / limit)} times its limit of ${limit}. Slipped point, or `
        + 'another unit?']);
    else if (amplitude === 0) found.push(['doubt', `${here}: a working pick-up reads some vibration. Leave the box `
      + 'empty if it was not read.']);
    else {
      const others = sections().filter(other => other !== section)
        .map(other => read(other, `${sensor.name}.amp`)).filter(value => !Number.isNaN(value));
      const most = Math.max(...others);
      if (others.length >= rules.fewest_others && amplitude > rules.fewest_others * limit
          && amplitude > rules.times_own * most)
        found.push(['doubt', `${here} is ${times(amplitude / most)} times the most this sensor has read elsewhere `
          + `(${shown(most)}). Slipped point?`]);
    }
    if (!text(phase) && amplitude > 0) found.push(['note', `${sensor.words}: the phase is missing.`]);
  });
  return found.concat(regime.heights ? ofTips(section, regime) : []);
}

function ofTips(section, regime) {
  const heights = tips(section), taken = heights.filter(value => !Number.isNaN(value)), found = [];
  if (!taken.length) return found;
  const unit = rotor.height_unit, spread = Math.max(...taken) - Math.min(...taken);
  const limit = regime.spread, stop = regime.spread_stop, goOn = regime.spread_go_on;
  if (stop !== null && spread >= stop) found.push(['stop', `STOP. Tips ${shown(spread)} ${unit} apart: at or above the `
    + `stop limit of ${stop}. Stop running, find the cause, adjust nothing over it.`]);
  else if (goOn !== null && spread > goOn) found.push(['stop', `NO FURTHER. Tips ${shown(spread)} ${unit} apart: above `
    + `your go-on figure of ${goOn}. Do not go on to a further condition.`]);
  const far = heights.map((height, b) => {
    const others = heights.filter((value, i) => i !== b && !Number.isNaN(value));
    if (Number.isNaN(height) || !others.length) return 0;
    const apart = Math.abs(height - median(others));
    const close = others.length > rules.fewest_others
      && apart > rules.times_others * (Math.max(...others) - Math.min(...others));
    return apart > rules.far_of_limit * limit || (close && apart > rules.near_of_limit * limit) ? apart : 0;
  });
  const worst = far.indexOf(Math.max(...far));
  if (far[worst] > 0) found.push(['doubt', `Blade ${rotor.blades[worst]}: ${shown(heights[worst])} ${unit} is `
    + `${shown(far[worst])} from the other tips, ${times(far[worst] / limit)} times the limit of the spread. `
    + 'Misread?']);
  else {
    const jump = jumpOf(section, heights, limit);
    if (jump) found.push(['doubt', jump]);
  }
  const missing = rotor.blades.filter((blade, b) => Number.isNaN(heights[b]));
  if (missing.length)
    found.push(['note', `No height of blade ${missing.join(', ')}: without it none of these counts.`]);
  if (!rotor.sensors.some(sensor => !Number.isNaN(read(section, `${sensor.name}.amp`))))
    found.push(['note', 'Heights, and no vibration: passed over?']);
  return found;
}

// A tip out of the place it has in the other conditions, while the other blades keep theirs.
function jumpOf(section, heights, limit) {
  const place = values => { const middle = median(values); return values.map(value => value - middle); };
  const whole = values => !values.some(Number.isNaN);
  const others = sections().filter(other => other !== section).map(tips).filter(whole).map(place);
  if (!whole(heights) || !others.length || heights.length <= rules.fewest_others) return '';
  const here = place(heights), usual = heights.map((_, b) => median(others.map(row => row[b])));
  const jumps = here.map((value, b) => Math.abs(value - usual[b]));
  const b = jumps.indexOf(Math.max(...jumps)), rest = median(jumps.filter((_, i) => i !== b));
  if (jumps[b] <= rules.jump_of_limit * limit) return '';
  if (jumps[b] <= rules.times_jumps * Math.max(rest, 0.1 * limit)) return '';
  return `Blade ${rotor.blades[b]} flies ${shown(here[b])} ${rotor.height_unit} from the middle tip here, and `
    + `${shown(usual[b])} in the other conditions; the other blades keep their places. Misread?`;
}

function line(strength, words) {
  const item = document.createElement('p');
  item.className = strength;
  item.textContent = words;
  return item;
}

function look() {
  let doubts = 0, stops = 0, bad = 0;
  for (const section of sections()) {
    for (const box of boxes(section)) {
      const why = wrong(box);
      box.setAttribute('aria-invalid', why ? 'true' : 'false');
      box.closest('label').querySelector('.why').textContent = why;
      bad += why ? 1 : 0;
    }
    const found = said(section);
    stops += found.filter(([strength]) => strength === 'stop').length;
    doubts += found.filter(([strength]) => strength === 'doubt').length;
    section.querySelector('.said').replaceChildren(...found.map(([strength, words]) => line(strength, words)));
  }
  const words = [];
  if (bad) words.push(`${bad} ${bad === 1 ? 'box cannot' : 'boxes cannot'} be read`);
  if (stops) words.push(`${stops} ${stops === 1 ? 'reading' : 'readings'} at a STOP or go-on figure`);
  if (doubts) words.push(`${doubts} hard to believe: look again`);
  summary.textContent = words.join('; ');
  return bad;
}

function cells(section) {
  const row = { regime: rotor.regimes[section.dataset.regime].name };
  for (const box of boxes(section)) row[box.dataset.q] = text(box);
  return row;
}

function typed(row) { return rotor.headings.some(name => name !== 'regime' && row[name]); }

function sheet() {
  const quoted = value => /[",\r\n]/.test(value) ? '"' + value.replaceAll('"', '""') + '"' : value;
  const rows = sections().map(cells).filter(typed);
  const lines = [rotor.headings, ...rows.map(row => rotor.headings.map(name => row[name] ?? ''))];
  return lines.map(line => line.map(quoted).join(',') + '\n').join('');
}

function keep() {
  const kept = sections().map(section => ({ regime: Number(section.dataset.regime), cells: cells(section) }));
  const top = [...document.querySelectorAll('input[data-top]')].map(text);
  try { localStorage.setItem(rotor.key, JSON.stringify({ kept, top })); } catch (error) {
    summary.textContent = 'This browser keeps nothing: save before you close the page.';
  }
}

function again(section) {
  const copy = section.cloneNode(true);
  for (const box of boxes(copy)) box.value = '';
  copy.querySelector('h3').append(' (again)');
  copy.querySelector('.said').replaceChildren();
  let last = section;
  while (last.nextElementSibling && last.nextElementSibling.dataset.regime === section.dataset.regime)
    last = last.nextElementSibling;
  last.after(copy);
  return copy;
}

function bringBack() {
  let kept = null;
  try { kept = JSON.parse(localStorage.getItem(rotor.key)); } catch (error) { kept = null; }
  if (!kept) return;
  const free = sections();
  for (const { regime, cells } of kept.kept) {
    const at = free.findIndex(section => Number(section.dataset.regime) === regime);
    let section = at < 0 ? null : free.splice(at, 1)[0];
    section = section ?? again(sections().find(one => Number(one.dataset.regime) === regime));
    for (const box of boxes(section)) box.value = cells[box.dataset.q] ?? '';
  }
  document.querySelectorAll('input[data-top]').forEach((box, i) => { box.value = kept.top[i] ?? ''; });
}

// The first amplitude or phase that stands alone, with its words: such a sheet would be refused.
function half() {
  for (const section of sections()) for (const sensor of rotor.sensors) {
    const pair = ['amp', 'deg'].map(part => section.querySelector(
      `input[data-q="${CSS.escape(`${sensor.name}.${part}`)}"]`)).filter(Boolean);
    if (pair.length < 2 || !text(pair[0]) === !text(pair[1]) || number(text(pair[0])) === 0) continue;
    const what = text(pair[0]) ? 'an amplitude without a phase' : 'a phase without an amplitude';
    return [pair.find(box => !text(box)), `${rotor.regimes[section.dataset.regime].name}, ${sensor.words}: ${what}`];
  }
  return null;
}

function save() {
  const alone = half();
  if (alone && !look()) {
    summary.textContent = `Not saved: ${alone[1]}.`;
    alone[0].focus();
    return;
  }
  if (look()) {
    summary.textContent = 'Not saved: ' + summary.textContent;
    form.querySelector('[aria-invalid="true"]').focus();
    return;
  }
  if (!sections().map(cells).some(typed)) { summary.textContent = 'Not saved: nothing was typed.'; return; }
  const link = document.createElement('a');
  link.href = URL.createObjectURL(new Blob([sheet()], { type: 'text/csv' }));
  link.download = 'run_sheet.csv';
  link.click();
  setTimeout(() => URL.revokeObjectURL(link.href), 10000);
  summary.textContent = ['Saved as run_sheet.csv', summary.textContent].filter(Boolean).join('; ');
}

function clear() {
  if (!window.confirm('Empty every box? What was not saved is lost.')) return;
  localStorage.removeItem(rotor.key);
  location.reload();
}

form.addEventListener('input', () => { look(); keep(); });
document.addEventListener('input', keep);
form.addEventListener('submit', event => event.preventDefault());
form.addEventListener('keydown', event => {
  if (event.key !== 'Enter' || event.target.tagName !== 'INPUT') return;
  const all = [...form.querySelectorAll('input')], next = all[all.indexOf(event.target) + 1];
  event.preventDefault();
  if (next) next.focus();
});
form.addEventListener('click', event => {
  if (event.target.classList.contains('again')) { again(event.target.closest('section')); look(); keep(); }
});
document.getElementById('save').addEventListener('click', save);
document.getElementById('clear').addEventListener('click', clear);
bringBack();
look();
"""
