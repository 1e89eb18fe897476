// The sheet: which aspect it shows, and in which order. What it says was written with the page; here it is only chosen.
'use strict';
(() => {
  const looks = JSON.parse(document.getElementById('looks').textContent);
  const views = new Map(looks.views);
  const rights = looks.standings.findIndex(([name]) => name === 'right');
  const wrongs = looks.standings.findIndex(([name]) => name === 'wrong');
  const sheet = document.getElementById('sheet');
  const body = sheet.tBodies[0];
  const choices = ['view', 'clips', 'devices'].map((id) => document.getElementById(id));
  const [view, clips, devices] = choices;

  const standing = (device, clip) => views.get(view.value)[device * looks.clips + clip][0];
  const upTo = (count) => Array.from({ length: count }, (_, place) => place);
  const count = (places, at, wanted) => places.reduce((sum, place) => sum + (at(place) === wanted), 0);
  const ofClip = (clip) => (device) => standing(device, clip);
  const ofDevice = (device) => (clip) => standing(device, clip);
  const row = (clip) => body.querySelector(`tr[data-line="${clip}"]`);

  // Places in the order of a rank, those of one rank as planned.
  const ordered = (places, rank) => places.map((place) => [rank(place), place]).sort((a, b) => a[0] - b[0] || a[1] - b[1]).map(([, place]) => place);

  function orderOfClips() {
    const all = upTo(looks.clips);
    if (clips.value === 'plan') return all;
    if (clips.value === 'most') return ordered(all, (clip) => -count(upTo(looks.devices), ofClip(clip), wrongs));
    return ordered(all, ofDevice(Number(clips.value)));
  }

  function orderOfDevices() {
    const all = upTo(looks.devices);
    if (devices.value === 'plan') return all;
    if (devices.value === 'most') return ordered(all, (device) => -count(upTo(looks.clips), ofDevice(device), rights));
    const clip = Number(devices.value);
    return ordered(all, (device) => (standing(device, clip) === rights ? -1 : standing(device, clip)));
  }

  function arrange() {
    body.append(...orderOfClips().map(row));
    const order = orderOfDevices();
    for (const line of sheet.rows) {
      const cells = new Map([...line.cells].map((cell) => [cell.dataset.line, cell]));
      line.append(...order.map((device) => cells.get(String(device))));
    }
  }

  function tally(head, at, places, everybody) {
    const tested = places.filter((place) => looks.standings[at(place)][0] !== 'not-tested').length;
    const wrong = count(places, at, wrongs);
    const breaks = everybody && wrong > 1 && wrong === tested ? ', breaks everybody' : '';
    head.querySelector('.tally').textContent = `right on ${count(places, at, rights)} of ${places.length}${breaks}`;
  }

  function show() {
    const cells = views.get(view.value);
    for (const device of upTo(looks.devices)) {
      for (const clip of upTo(looks.clips)) {
        const [rank, number, text] = cells[device * looks.clips + clip];
        const [name, word] = looks.standings[rank];
        const cell = document.getElementById(`c${device}-${clip}`);
        const mark = cell.querySelector('.mark');
        mark.setAttribute('class', `mark ${name}`);
        mark.firstElementChild.setAttribute('href', `#${name}`);
        const told = cell.querySelector('.word');
        told.textContent = word;
        told.title = text;
        cell.querySelector('.number').textContent = number;
      }
    }
    for (const clip of upTo(looks.clips)) tally(row(clip).cells[0], ofClip(clip), upTo(looks.devices), true);
    for (const head of sheet.tHead.rows[0].cells) {
      if (head.dataset.line !== undefined) tally(head, ofDevice(Number(head.dataset.line)), upTo(looks.clips), false);
    }
    for (const answers of document.querySelectorAll('.answers')) answers.hidden = answers.dataset.view !== view.value;
  }

  // The choices stand in the address, so that a link shows what its sender saw.
  function remember() {
    const chosen = choices.filter((choice) => choice.selectedIndex > 0).map((choice) => `${choice.id}=${choice.value}`);
    try {
      history.replaceState(null, '', chosen.length ? `#${chosen.join('&')}` : location.pathname + location.search);
    } catch { /* Some browsers refuse it to pages from disk. */ }
  }

  function recall() {
    for (const [id, value] of new URLSearchParams(location.hash.slice(1))) {
      const choice = choices.find((one) => one.id === id);
      if (choice && [...choice.options].some((option) => option.value === value)) choice.value = value;
    }
  }

  function chosen() {
    show();
    arrange();
    remember();
    const told = choices.map((choice) => choice.selectedOptions[0].textContent);
    document.getElementById('said').textContent = `Judged by ${told[0]}; clips ${told[1]}; devices ${told[2]}.`;
  }

  // Arrow keys go from word to word.
  const steps = { ArrowUp: [-1, 0], ArrowDown: [1, 0], ArrowLeft: [0, -1], ArrowRight: [0, 1] };
  sheet.addEventListener('keydown', (event) => {
    const step = steps[event.key];
    let at = event.target.closest('td, th');
    if (!step || !at || event.ctrlKey || event.altKey || event.metaKey) return;
    for (;;) {
      at = sheet.rows[at.parentElement.rowIndex + step[0]]?.cells[at.cellIndex + step[1]];
      if (!at) return;
      const link = at.querySelector('a');
      if (link) {
        event.preventDefault();
        link.focus();
        return;
      }
    }
  });

  document.documentElement.classList.add('scripted');
  recall();
  for (const choice of choices) choice.addEventListener('change', chosen);
  document.querySelector('.wish').addEventListener('submit', (event) => event.preventDefault());
  if (choices.some((choice) => choice.selectedIndex > 0)) chosen();
  performance.mark('evenbeat-ready');
})();
