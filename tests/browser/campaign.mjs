// Opens the pages of campaigns in a browser and checks what a reader does with them. Prints one line of JSON: what was found
// for each folder, by its name.
//
//   node campaign.mjs BROWSER FOLDER...
// Screenshots go beside each folder, into FOLDER.shots.
import { mkdirSync, readFileSync, readdirSync } from 'node:fs';
import { createRequire } from 'node:module';
import { basename, join } from 'node:path';
import { pathToFileURL } from 'node:url';
import { chromium } from 'playwright-core';

const [, , executablePath, ...folders] = process.argv;
const axe = readFileSync(createRequire(import.meta.url).resolve('axe-core/axe.min.js'), 'utf8');
// Each width and each scheme, not each pair: widths change the layout, schemes the contrast. The last column: judged by axe.
const views = [[400, 'dark', true], [1280, 'light', true], [2560, 'dark', false]];
const looks = [[400, 'light', false], [1280, 'dark', false], [2560, 'light', false]];

const browser = await chromium.launch({ executablePath, args: ['--no-sandbox'] });
const all = {};
for (const [place, folder] of folders.entries()) all[basename(folder)] = await visit(folder, place === 0 ? [...views, ...looks] : views);
await browser.close();
console.log(JSON.stringify(all));

// Everything a reader does with the pages of one campaign.
async function visit(folder, views) {
  const shots = `${folder}.shots`;
  mkdirSync(shots, { recursive: true });
  const found = { requests: [], errors: [], violations: [], overflows: [], facts: {} };

  async function open(path, width, colorScheme) {
    const context = await browser.newContext({ viewport: { width, height: 900 }, colorScheme, reducedMotion: 'reduce' });
    const page = await context.newPage();
    page.on('request', (request) => { if (!/^(file|data|blob):/.test(request.url())) found.requests.push(request.url()); });
    page.on('console', (message) => { if (['error', 'warning'].includes(message.type())) found.errors.push(`${path}: ${message.text()}`); });
    page.on('pageerror', (error) => found.errors.push(`${path}: ${error}`));
    page.on('dialog', (dialog) => { found.errors.push(`dialog: ${dialog.message()}`); dialog.dismiss(); });
    await page.goto(pathToFileURL(join(folder, path)).href);
    return page;
  }

  const first = (kind) => readdirSync(join(folder, kind)).filter((name) => name.endsWith('.html')).map((name) => `${kind}/${name}`)[1];
  const pages = [['index', 'index.html'], ['device', first('devices')], ['clip', first('clips')]].filter(([, path]) => path);
  for (const [name, path] of pages) {
    const page = await open(path, 1280, 'light');
    for (const [width, colorScheme] of views) {
      const shot = `${name}-${width}-${colorScheme}`;
      await page.emulateMedia({ colorScheme });
      await page.setViewportSize({ width, height: 900 });
      // As much as one looks at: the whole of three hundred cells is a picture of many thousand rows.
      const height = await page.evaluate(() => document.documentElement.scrollHeight);
      await page.setViewportSize({ width, height: Math.min(height, 3000) });
      await page.screenshot({ path: join(shots, `${shot}.png`) });
      const wide = await page.evaluate(() => document.documentElement.scrollWidth - document.documentElement.clientWidth);
      if (wide > 0) found.overflows.push(`${shot}: ${wide} px`);
    }
    // Rows are alike, and all elements are held against each other: a few stand for three hundred cells.
    await page.evaluate(() => document.querySelectorAll('#sheet tbody tr:nth-child(n+5)').forEach((row) => row.remove()));
    for (const [width, colorScheme] of views.filter(([, , isJudged]) => isJudged)) {
      await page.emulateMedia({ colorScheme });
      await page.setViewportSize({ width, height: 900 });
      const { violations } = await page.evaluate(`${axe}; window.axe.run(document)`);
      for (const { id, nodes } of violations) found.violations.push(`${name}-${width}-${colorScheme}: ${id}: ${nodes.slice(0, 3).map((node) => node.html.slice(0, 160)).join(' | ')}`);
    }
    await page.context().close();
  }

  const facts = found.facts;
  const page = await open('index.html', 1280, 'light');
  facts.ready_ms = await page.evaluate(() => performance.getEntriesByName('evenbeat-ready')[0]?.startTime);
  facts.painted_ms = await page.evaluate(async () => {
    for (let n = 0; n < 50; n++) {
      const paint = performance.getEntriesByName('first-contentful-paint')[0];
      if (paint) return paint.startTime;
      await new Promise((done) => setTimeout(done, 20));
    }
    return null;
  });
  const words = () => page.$$eval('#sheet td .word', (all) => all.map((one) => one.textContent));
  const clips = () => page.$$eval('#sheet tbody tr', (all) => all.map((one) => one.dataset.line).join());
  const devices = () => page.$$eval('#sheet thead th[data-line]', (all) => all.map((one) => one.dataset.line).join());
  const before = [await words(), await clips(), await devices()];
  facts.cells = before[0].length;
  await page.selectOption('#view', 'levels');
  facts.aspect_changes_words = JSON.stringify(before[0]) !== JSON.stringify(await words());
  facts.answers_shown = await page.$$eval('.answers', (all) => all.filter((one) => one.checkVisibility()).map((one) => one.dataset.view));
  await page.selectOption('#view', 'everything');
  facts.view_returns = JSON.stringify(before[0]) === JSON.stringify(await words());
  await page.selectOption('#clips', 'most');
  await page.selectOption('#devices', 'most');
  facts.clips_order = await clips();
  facts.devices_order = await devices();
  facts.cells_follow = await page.$$eval('#sheet tbody tr', (rows) => rows.every((row) => [...row.cells].slice(1).every((cell) => cell.id === `c${cell.dataset.line}-${row.dataset.line}`)));
  facts.same_columns = await page.$$eval('#sheet tr', (rows) => new Set(rows.map((row) => [...row.cells].map((cell) => cell.dataset.line).join())).size);
  await page.screenshot({ path: join(shots, 'index-ordered.png') });
  facts.address = await page.evaluate(() => location.hash);
  await page.reload();
  facts.address_recalled = facts.clips_order === await clips() && facts.devices_order === await devices();
  await page.selectOption('#clips', 'plan');
  await page.selectOption('#devices', 'plan');
  facts.order_returns = before[1] === await clips() && before[2] === await devices();
  // By keyboard alone.
  await page.focus('#sheet tbody th a');
  await page.keyboard.press('ArrowRight');
  await page.keyboard.press('ArrowDown');
  facts.focus_after_right_down = await page.evaluate(() => document.activeElement.closest('td')?.id);
  await page.context().close();

  // Every link leads to something that is there, but for the reports, which are not these pages' to make.
  facts.dead_links = [];
  for (const [, path] of pages) {
    const page = await open(path, 1280, 'light');
    const links = await page.$$eval('a[href], img[src]', (all) => all.map((one) => one.href ?? one.src));
    facts.links = (facts.links ?? 0) + links.length;
    for (const link of new Set(links)) {
      const url = new URL(link);
      if (!url.href.startsWith(`${pathToFileURL(folder).href}/`)) facts.dead_links.push(`leads out: ${link}`);
      if (/\/report\.html$|campaign\.(json|csv)$/.test(url.pathname)) continue;
      try { readFileSync(url.pathname.split('/').map(decodeURIComponent).join('/')); } catch { facts.dead_links.push(link); }
    }
    await page.context().close();
  }

  const paper = await open('index.html', 1280, 'dark');
  const pdf = await paper.pdf({ preferCSSPageSize: true });
  facts.printed_pages = (pdf.toString('latin1').match(/\/Type\s*\/Page[^s]/g) || []).length;
  await paper.emulateMedia({ media: 'print' });
  await paper.screenshot({ path: join(shots, 'index-print.png') });
  await paper.context().close();

  const unscripted = await browser.newContext({ javaScriptEnabled: false });
  const plain = await unscripted.newPage();
  await plain.goto(pathToFileURL(join(folder, 'index.html')).href);
  facts.sheet_without_script = await plain.isVisible('#sheet');
  facts.choices_without_script = await plain.locator('select:visible').count();
  await unscripted.close();
  return found;
}
