/**
 * Calls exported functions of this app, for tests that compare them with a library in Python.
 *
 * In, one JSON a line: {"module": path from the folder `pwa`, "function", "arguments"}. Out, one
 * JSON a line in the same order: what the function returned.
 * Run from the folder `pwa`: node src/clinical-rules/call-lines.mjs
 */
import { fileURLToPath } from 'node:url';
import { createServer } from 'vite';

const server = await createServer({
  configFile: false,
  root: fileURLToPath(new URL('../..', import.meta.url)),
  logLevel: 'error',
  appType: 'custom',
  server: { middlewareMode: true, watch: null, ws: false },
  optimizeDeps: { noDiscovery: true },
});
try {
  let input = '';
  for await (const chunk of process.stdin.setEncoding('utf8')) input += chunk;
  const answers = [];
  for (const line of input.split('\n').filter(Boolean)) {
    const call = JSON.parse(line);
    const module = await server.ssrLoadModule(`/${call.module}`);
    answers.push(JSON.stringify(module[call.function](...call.arguments)));
  }
  process.stdout.write(`${answers.join('\n')}\n`);
} finally {
  await server.close();
}
