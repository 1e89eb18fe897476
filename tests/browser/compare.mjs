// Opens a comparison in a browser and checks that it stays within every width. Prints one line of JSON.
//
//   node compare.mjs BROWSER compare.html SCREENSHOT_FOLDER
import { mkdirSync, readFileSync } from 'node:fs';
import { createRequire } from 'node:module';
import { join } from 'node:path';
import { pathToFileURL } from 'node:url';
import { chromium } from 'playwright-core';

const [, , executablePath, comparison, folder] = process.argv;
const axe = readFileSync(createRequire(import.meta.url).resolve('axe-core/axe.min.js'), 'utf8');
mkdirSync(folder, { recursive: true });

const browser = await chromium.launch({ executablePath, args: ['--no-sandbox'] });
const found = { requests: [], errors: [], violations: [], overflows: [], facts: { papers: {}, tables: {} } };

for (const width of [400, 1280, 2560]) {
  for (const colorScheme of ['light', 'dark']) {
    const context = await browser.newContext({ viewport: { width, height: 900 }, colorScheme, reducedMotion: 'reduce' });
    const page = await context.newPage();
    page.on('request', (request) => { if (!/^(file|data):/.test(request.url())) found.requests.push(request.url()); });
    page.on('console', (message) => { if (['error', 'warning'].includes(message.type())) found.errors.push(message.text()); });
    page.on('pageerror', (error) => found.errors.push(String(error)));
    await page.goto(pathToFileURL(comparison).href);
    const name = `${width}-${colorScheme}`;
    await page.screenshot({ path: join(folder, `${name}.png`), fullPage: true });
    const wide = await page.evaluate(() => document.documentElement.scrollWidth - document.documentElement.clientWidth);
    if (wide > 0) found.overflows.push(`${name}: ${wide} px`);
    // How much of the table lies off its box, and on what ground the chart stands.
    found.facts.tables[name] = await page.evaluate(() => {
      const box = document.querySelector('.scroll');
      return box.scrollWidth - box.clientWidth;
    });
    found.facts.papers[name] = await page.evaluate(() => getComputedStyle(document.querySelector('.chart svg > rect')).fill);
    const { violations } = await page.evaluate(`${axe}; window.axe.run(document)`);
    for (const { id, nodes } of violations) found.violations.push(`${name}: ${id}: ${nodes.slice(0, 3).map((node) => node.html.slice(0, 160)).join(' | ')}`);
    await context.close();
  }
}
await browser.close();
console.log(JSON.stringify(found));
