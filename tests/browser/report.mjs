// Opens a report in a browser and checks what a reader does with it. Prints one line of JSON.
//
//   node report.mjs BROWSER REPORT.html SCREENSHOT_FOLDER
import { mkdirSync, readFileSync } from 'node:fs';
import { createRequire } from 'node:module';
import { join } from 'node:path';
import { pathToFileURL } from 'node:url';
import { chromium } from 'playwright-core';

const [, , executablePath, report, folder] = process.argv;
const axe = readFileSync(createRequire(import.meta.url).resolve('axe-core/axe.min.js'), 'utf8');
// Each width and each scheme, not each pair: widths change the layout, schemes the contrast.
const views = [[[400, 800], 'dark'], [[1280, 900], 'light'], [[2560, 1440], 'dark']];
mkdirSync(folder, { recursive: true });

const browser = await chromium.launch({ executablePath, args: ['--no-sandbox'] });
const found = { requests: [], errors: [], violations: [], overflows: [], facts: {} };

async function open(size, colorScheme) {
  const context = await browser.newContext({ viewport: { width: size[0], height: size[1] }, colorScheme, reducedMotion: 'reduce' });
  const page = await context.newPage();
  page.on('request', (request) => { if (!/^(file|data|blob):/.test(request.url())) found.requests.push(request.url()); });
  page.on('console', (message) => { if (['error', 'warning'].includes(message.type())) found.errors.push(message.text()); });
  page.on('pageerror', (error) => found.errors.push(String(error)));
  page.on('dialog', (dialog) => { found.errors.push(`dialog: ${dialog.message()}`); dialog.dismiss(); });
  await page.goto(pathToFileURL(report).href);
  await page.waitForFunction(() => performance.getEntriesByName('evenbeat-ready').length > 0);
  return page;
}

for (const [size, scheme] of views) {
  const page = await open(size, scheme);
  const name = `${size[0]}-${scheme}`;
  await page.screenshot({ path: join(folder, `${name}.png`), fullPage: true });
  const wide = await page.evaluate(() => document.documentElement.scrollWidth - document.documentElement.clientWidth);
  if (wide > 0) found.overflows.push(`${name}: ${wide} px`);
  // The policy of the page forbids scripts from outside: evaluate runs in the debugger's own right.
  await page.evaluate(axe);
  const { violations } = await page.evaluate(() => window.axe.run(document));
  for (const { id, nodes } of violations) found.violations.push(`${name}: ${id}: ${nodes.slice(0, 3).map((node) => node.html.slice(0, 160)).join(' | ')}`);
  await page.context().close();
}

const page = await open([1280, 900], 'light');
const facts = found.facts;
const value = () => page.getAttribute('#slider', 'aria-valuenow').then(Number);
const text = () => page.getAttribute('#slider', 'aria-valuetext');
const canvas = () => page.evaluate(() => document.querySelector('#lanes').toDataURL());
facts.ready_ms = await page.evaluate(() => performance.getEntriesByName('evenbeat-ready')[0].startTime);
facts.has_timeline = await page.isVisible('#slider');
if (facts.has_timeline) {
  // Arrows step before anything has the focus; the page opens at the worst event.
  facts.opened_at = await value();
  await page.keyboard.press('ArrowRight');
  facts.arrows_step_at_once = await value() === facts.opened_at + 1;
  await page.keyboard.press('ArrowLeft');
  // By keyboard alone: tab to the slider, step, zoom, jump.
  for (let n = 0; n < 40 && !(await page.evaluate(() => document.activeElement?.id === 'slider')); n++) await page.keyboard.press('Tab');
  facts.slider_reached_by_tab = await page.evaluate(() => document.activeElement?.id === 'slider');
  await page.keyboard.press('ArrowRight');
  await page.keyboard.press('ArrowRight');
  await page.keyboard.press('ArrowLeft');
  facts.after_right_right_left = await value();
  facts.words = await text();
  const whole = await canvas();
  await page.keyboard.press('1');
  await page.waitForTimeout(100);
  facts.single_frames_look_different = whole !== await canvas();
  await page.keyboard.press('0');
  await page.waitForTimeout(100);
  await page.hover('#slider');
  const before = await canvas();
  await page.mouse.wheel(0, -300);
  await page.waitForTimeout(100);
  facts.wheel_zooms = before !== await canvas();
  await page.keyboard.press('End');
  facts.last = await value();
  facts.first_finding_start = await page.evaluate(() => JSON.parse(document.getElementById('facts').textContent).events[0]?.first ?? null);
  if (facts.first_finding_start !== null) {
    await page.locator('button[data-first]').first().click();
    facts.jumped_to = await value();
    facts.jump_gives_focus = await page.evaluate(() => document.activeElement?.id === 'slider');
    await page.screenshot({ path: join(folder, 'at-first-finding.png') });
  }
  // A step of the zoom: from the key to the picture drawn.
  await page.focus('#slider');
  await page.keyboard.press('0');
  await page.waitForTimeout(100);
  facts.zoom_step_ms = await page.evaluate(async () => {
    const slider = document.getElementById('slider');
    const steps = [];
    for (let n = 0; n < 24; n++) {
      slider.dispatchEvent(new KeyboardEvent('keydown', { key: n < 16 ? '+' : '-', bubbles: true }));
      await new Promise((done) => requestAnimationFrame(done));
      steps.push(performance.getEntriesByName('evenbeat-draw').at(-1).duration);
    }
    return Math.max(...steps);
  });
}
facts.has_stage = (await page.locator('#stage').count()) > 0 && await page.isVisible('#stage');
if (facts.has_stage) {
  const caption = () => page.textContent('#current figcaption');
  const shown = () => page.evaluate(() => document.querySelector('#current img, #current canvas')?.src ?? document.querySelector('#current canvas').toDataURL());
  await page.selectOption('#stretch', '0');
  await page.focus('#stage');
  const first = [await caption(), await shown()];
  await page.keyboard.press('ArrowRight');
  facts.step_changes_caption = first[0] !== await caption();
  await page.keyboard.press('ArrowLeft');
  facts.step_back_returns = first[0] === await caption() && first[1] === await shown();
  await page.keyboard.press('h');
  await page.keyboard.press('ArrowRight');
  facts.held_beside = await page.isVisible('#held') && (await page.textContent('#held figcaption')) !== await caption();
  await page.keyboard.press('d');
  await page.waitForSelector('#current canvas');
  await page.locator('#stage').screenshot({ path: join(folder, 'stage-held-difference.png') });
  await page.keyboard.press('h');
  await page.waitForSelector('#current img');
  facts.difference_caption = await caption();
  await page.locator('#stage').screenshot({ path: join(folder, 'stage-difference.png') });
  // From a finding to its own pictures.
  const jump = page.locator('button[data-picture]').first();
  if (await jump.count()) {
    await jump.click();
    facts.picture_of_finding = Number(await page.getAttribute('.film li.at', 'data-frame'));
    facts.stretch_of_finding = await page.$eval('#stretch', (select) => select.selectedOptions[0].text);
    facts.stage_has_focus = await page.evaluate(() => document.activeElement?.id === 'stage');
  }
  facts.offers_detail = await page.isVisible('[data-step=detail]');
  if (facts.offers_detail) {
    const picture = await shown();
    await page.keyboard.press('p');
    const detail = await shown();
    facts.detail_is_another_picture = detail !== picture;
    await page.locator('#stage').screenshot({ path: join(folder, 'stage-detail.png') });
    await page.keyboard.press('ArrowRight');
    facts.detail_stays_while_stepping = await page.isVisible('#current .detail') && (await shown()) !== detail;
    await page.keyboard.press('p');
  }
  facts.stage_captions = await page.$$eval('.film li[data-call]', (items) => items.length);
}
await page.context().close();

const paper = await open([1280, 900], 'dark');
const pdf = await paper.pdf({ format: 'A4', preferCSSPageSize: false });
facts.printed_pages = (pdf.toString('latin1').match(/\/Type\s*\/Page[^s]/g) || []).length;
await paper.emulateMedia({ media: 'print' });
await paper.screenshot({ path: join(folder, 'print.png'), fullPage: true });
await paper.context().close();

const plain = await (await browser.newContext({ javaScriptEnabled: false })).newPage();
await plain.goto(pathToFileURL(report).href);
facts.chart_without_script = await plain.isVisible('.chart svg');
facts.buttons_without_script = await plain.locator('button:visible').count();
await browser.close();
console.log(JSON.stringify(found));
