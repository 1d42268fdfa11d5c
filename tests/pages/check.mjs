// Opens HTML reports in headless Chromium: no console error, no request to anywhere, no finding of
// axe-core, and it prints to PDF.
//
//   npm install --prefix DIR playwright-core axe-core
//   NODE_PATH=DIR/node_modules node tests/pages/check.mjs PAGE.html ...
import { createRequire } from "node:module";
import { readFileSync } from "node:fs";
import { pathToFileURL } from "node:url";

const require = createRequire(process.env.NODE_PATH + "/");
const { chromium } = require("playwright-core");
const axe = readFileSync(require.resolve("axe-core/axe.min.js"), "utf8");

const browser = await chromium.launch({
  executablePath: process.env.CHROMIUM ?? "/usr/bin/chromium",
  args: ["--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run",
    "--disable-background-networking", "--disable-component-update", "--disable-sync"],
});
let faults = 0;
const fault = (page, text) => { faults += 1; console.log(`${page}: ${text}`); };
for (const path of process.argv.slice(2)) {
  const page = await browser.newPage();
  page.on("console", (message) => {
    if (message.type() === "error") fault(path, `console: ${message.text()}`);
  });
  page.on("pageerror", (error) => fault(path, `error: ${error.message}`));
  page.on("request", (request) => {
    if (!/^(file|data):/.test(request.url())) fault(path, `asks for ${request.url()}`);
  });
  await page.goto(pathToFileURL(path).href);
  await page.evaluate(axe);
  const found = await page.evaluate(() => window.axe.run(document));
  for (const one of found.violations) {
    const where = one.nodes.slice(0, 3).map((node) => node.target.join(" ")).join("; ");
    fault(path, `${one.id}: ${one.help} (${one.nodes.length}: ${where})`);
  }
  const pdf = await page.pdf({ format: "A4" });
  if (pdf.subarray(0, 5).toString() !== "%PDF-" || pdf.length < 20000) fault(path, "does not print");
  const wide = await page.evaluate(() => document.documentElement.scrollWidth > window.innerWidth);
  if (wide) fault(path, "is wider than its window");
  console.log(`${path}: ${found.passes.length} rules of axe-core ${found.testEngine.version} pass, ` +
    `${found.violations.length} do not, ${found.incomplete.length} can't be told; prints to ${pdf.length} bytes`);
  await page.close();
}
await browser.close();
process.exit(faults === 0 ? 0 : 1);
