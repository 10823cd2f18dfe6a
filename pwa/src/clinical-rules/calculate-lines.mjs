/**
 * Calculates one request a line, for tests that compare this engine with its Python twin.
 *
 * In, one JSON a line: {"kind", "request", "on"}. Out, one JSON a line, as soon as it is known and
 * in the same order: {"answer"} or {"refused": sentence, "answer"} or {"failed": name and text of
 * another error}. A kind is one of `calculate` or of `INNER`. It ends with its input.
 * Run from the folder `pwa`: node src/clinical-rules/calculate-lines.mjs
 */
import { createInterface } from 'node:readline';
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
const load = (name) => server.ssrLoadModule(`/src/clinical-rules/${name}.ts`);

/** Engines that `calculate` does not list, each made a function of request and rule book. */
const INNER = {
  'step-protocol': async () => {
    const { findOutOfTurn, followProtocol, NO_ROUND, readProtocol } = await load('step-protocol');
    return ({ targets, events }, book) => {
      const planned = targets.map(({ label, wants_adhesive, coils_planned }) => ({
        label,
        wantsAdhesive: wants_adhesive,
        coilsPlanned: coils_planned,
      }));
      const passed = events.map(({ step, outcome = 'done', move = null, ...round }) => ({
        step,
        round: { ...NO_ROUND, ...round },
        outcome,
        move,
      }));
      const steps = readProtocol(book);
      const { isFinished, ...progress } = followProtocol(steps, planned, passed);
      const outOfTurn = findOutOfTurn(steps, planned, passed);
      return { ...progress, is_finished: isFinished, out_of_turn: outOfTurn };
    };
  },
  'varix-class': async () => (await load('varix-class')).answerVarixClass,
  'adverse-event-grades': async () => (await load('adverse-events')).gradeAdverseEvent,
  'value-cautions': async () => (await load('value-cautions')).answerValueCautions,
  'first-bleed': async () => (await load('first-bleed')).answerFirstBleed,
  gates: async () => (await load('gates')).findGates,
  'implant-search': async () => (await load('implant-search')).answerImplantSearch,
  'intended-use': async () => (await load('intended-use')).answerIntendedUse,
  'picture-length': async () => (await load('picture-length')).answerPictureLength,
  'session-places': async () => (await load('session-places')).answerSessionPlaces,
  'stock-counts': async () => (await load('stock-counts')).countStock,
  'lay-out': async () => (await load('lay-out-list')).makeLayOutList,
  'package-counts': async () => (await load('package-counts')).countPackages,
  'visit-act': async () => (await load('visit-course')).takeVisitAct,
  'visit-outlook': async () => (await load('visit-course')).lookAtVisit,
  paper: async () => {
    const { writePaper } = await server.ssrLoadModule('/src/state/papers/write-paper.ts');
    return ({ paper, language, case: shown }, book) => writePaper(paper, shown, book, language);
  },
};

const { calculate } = await load('calculate');
const { packagedRuleBook } = await load('packaged-rule-files');
const engines = new Map();
const books = new Map();

async function engineOf(kind) {
  if (!engines.has(kind)) {
    const isInner = Object.hasOwn(INNER, kind);
    engines.set(
      kind,
      isInner ? await INNER[kind]() : (request, book) => calculate(kind, request, book),
    );
  }
  return engines.get(kind);
}

async function answer({ kind, request, on }) {
  if (!books.has(on)) books.set(on, packagedRuleBook(on));
  const engine = await engineOf(kind);
  try {
    return { answer: engine(request, books.get(on)) };
  } catch (error) {
    if (['CalculationRefusedError', 'ShapeError'].includes(error.name)) {
      return { refused: error.message, answer: error.answer ?? {} };
    }
    return { failed: `${error.name}: ${error.message}` };
  }
}

try {
  for await (const line of createInterface({ input: process.stdin })) {
    process.stdout.write(`${JSON.stringify(await answer(JSON.parse(line)))}\n`);
  }
} finally {
  await server.close();
}
