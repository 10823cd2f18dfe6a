/**
 * Calculates one request a line, for tests that compare this engine with its Python twin.
 *
 * In, one JSON a line: {"kind", "request", "on"}. Out, one JSON a line in the same order:
 * {"answer"} or {"refused": sentence, "answer"} or {"failed": name and text of another error}.
 * Run from the folder `pwa`: node src/clinical-rules/calculate-lines.mjs
 */
import { fileURLToPath } from 'node:url';
import { createServer } from 'vite';

const folder = (path) => fileURLToPath(new URL(path, import.meta.url));
const server = await createServer({
  configFile: false,
  root: folder('../..'),
  logLevel: 'error',
  appType: 'custom',
  server: { middlewareMode: true, watch: null, ws: false, fs: { allow: ['..'] } },
  optimizeDeps: { noDiscovery: true },
  resolve: {
    alias: {
      '$clinical-data': folder('../../../api/clinical_rules/data'),
      $catalogue: folder('../../../api/record_catalogue'),
    },
  },
});
try {
  const { calculate } = await server.ssrLoadModule('/src/clinical-rules/calculate.ts');
  const { packagedRuleBook } = await server.ssrLoadModule(
    '/src/clinical-rules/packaged-rule-files.ts',
  );
  let input = '';
  for await (const chunk of process.stdin.setEncoding('utf8')) input += chunk;
  const books = new Map();
  const lines = input.split('\n').filter(Boolean);
  const answers = lines.map((line) => {
    const { kind, request, on } = JSON.parse(line);
    if (!books.has(on)) books.set(on, packagedRuleBook(on));
    try {
      return { answer: calculate(kind, request, books.get(on)) };
    } catch (error) {
      if (error.name === 'CalculationRefusedError') {
        return { refused: error.message, answer: error.answer };
      }
      return { failed: `${error.name}: ${error.message}` };
    }
  });
  for (const answer of answers) process.stdout.write(`${JSON.stringify(answer)}\n`);
} finally {
  await server.close();
}
