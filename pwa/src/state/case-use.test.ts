/** Recorded only: which cases, and that no number of any engine is left (HAZ-13). */
import { existsSync, readdirSync, readFileSync } from 'node:fs';
import { expect, test } from 'vitest';
import { gradeAdverseEvent } from '../clinical-rules/adverse-events';
import { calculate } from '../clinical-rules/calculate';
import { ClinicalRuleError } from '../clinical-rules/errors';
import { answerFirstBleed } from '../clinical-rules/first-bleed';
import { packagedRuleBook } from '../clinical-rules/packaged-rule-files';
import { answerPictureLength } from '../clinical-rules/picture-length';
import { RuleBook } from '../clinical-rules/rule-book';
import { answerValueCautions } from '../clinical-rules/value-cautions';
import { answerVarixClass } from '../clinical-rules/varix-class';
import type { HeldValue, Json, RecordState } from '../ports';
import { openBench } from './bedside-bench';
import { CaseUse, findOutsideFacts } from './case-use.svelte';
import { CloseOutSummary } from './close-out-summary.svelte';
import { CasePlan } from './plan.svelte';
import { ProcedureSession } from './procedure.svelte';
import { amountAtHand, gateAtHand, plannedCoil } from './procedure-at-hand';
import { plannedStopUm } from './procedure-plan';
import { Workup } from './workup.svelte';

const TODAY = '2026-03-16';
const book = packagedRuleBook(TODAY);

function held(record: string, content: Record<string, Json[]>): RecordState {
  const field = (values: Json[]) => ({
    values: values.map((value): HeldValue => ({ value, references: ['r'], by: 's', stamp: '1' })),
    isConflict: values.length > 1,
  });
  const fields = Object.fromEntries(
    Object.entries(content).map(([name, values]) => [name, field(values)]),
  );
  return { record, fields, struck: [], isEnteredInError: false, heads: [] };
}
const outsideOf = (itself: Record<string, Json[]>, patient: Record<string, Json[]> = {}) =>
  findOutsideFacts(held('case/c', itself), held('patient/p', patient), book, TODAY);

test('[HAZ-13] [IU1] another varix, another adhesive or a child makes a case record only', () => {
  const adhesive = [{ agent: '2-octyl-cyanoacrylate', parts_adhesive: 1, parts_oil: 0 }];
  expect(outsideOf({ varix_class: ['GOV2'], adhesive }, { born_on: ['1968-04-17'] })).toEqual([]);
  for (const other of ['oesophageal', 'duodenal', 'rectal', 'other']) {
    expect(outsideOf({ varix_class: [other], adhesive })).toEqual(['varix_class']);
  }
  expect(outsideOf({ adhesive: [{ agent: 'other' }] })).toEqual(['adhesive']);
  expect(outsideOf({}, { born_on: ['2008-03-17'] })).toEqual(['age_years']);
  expect(outsideOf({}, { born_on: ['2008-03-16'] })).toEqual([]);
});

test('[IU2] age is that of the day of the procedure; before there is one, of today', () => {
  const child = { born_on: ['2008-04-01'] };
  expect(outsideOf({}, child)).toEqual(['age_years']);
  expect(outsideOf({ procedure_on: ['2026-03-31'] }, child)).toEqual(['age_years']);
  expect(outsideOf({ procedure_on: ['2026-04-01'] }, child)).toEqual([]);
});

test('[IU1] of two answers that wait the one outside decides', () => {
  expect(outsideOf({ varix_class: ['GOV1', 'oesophageal'] })).toEqual(['varix_class']);
  expect(outsideOf({ varix_class: ['GOV1', 'GOV2'] })).toEqual([]);
  expect(outsideOf({ adhesive: [{ agent: 'none' }, { agent: 'other' }] })).toEqual(['adhesive']);
});

test('[IU3] nothing entered is no reason; a file that cannot be read is one', () => {
  expect(outsideOf({})).toEqual([]);
  expect(findOutsideFacts(undefined, undefined, book, TODAY)).toEqual([]);
  const without = new RuleBook({ 'in_force.json': '{"in_force": [], "defaults": []}' }, TODAY);
  expect(findOutsideFacts(undefined, undefined, without, TODAY)).toEqual(['rule_file']);
});

// --- no engine, whatever it is asked

const INNER: Readonly<Record<string, (request: unknown, book: RuleBook) => object>> = {
  'first-bleed': answerFirstBleed,
  'varix-class': answerVarixClass,
  'value-cautions': answerValueCautions,
  'picture-length': answerPictureLength,
  'adverse-event-grades': gradeAdverseEvent,
};
const FOLDER = new URL('../../../tests/conformance/', import.meta.url);

/** Every request of every vector: what the engines are known to answer. */
function* requests(): Generator<{ kind: string; request: unknown }> {
  for (const folder of readdirSync(FOLDER, { withFileTypes: true })) {
    if (!folder.isDirectory()) continue;
    for (const name of readdirSync(new URL(`${folder.name}/`, FOLDER))) {
      const file = new URL(`${folder.name}/${name}`, FOLDER);
      if (!name.endsWith('.json') || !existsSync(file)) continue;
      const { cases = [] } = JSON.parse(readFileSync(file, 'utf8')) as {
        cases?: { given: { kind?: string; request?: unknown } }[];
      };
      for (const { given } of cases) {
        if (typeof given?.kind === 'string') yield { kind: given.kind, request: given.request };
      }
    }
  }
}
/** Every number and every date of an answer; which rule files it used is no figure. */
const numbersIn = (part: unknown): (number | string)[] => {
  if (typeof part === 'number') return [part];
  if (typeof part === 'string') return /^\d{4}-\d{2}-\d{2}$/.test(part) ? [part] : [];
  if (typeof part !== 'object' || part === null) return [];
  return Object.entries(part).flatMap(([key, inner]) =>
    key === 'rule_files' ? [] : numbersIn(inner),
  );
};
/** Those that give figures for a case; a label that is read or a visit's course is none. */
const CALCULATED = ['sizing', 'liver-scores', 'antithrombotic-holds', 'follow-up'];

function answer(kind: string, request: unknown, by: RuleBook): unknown {
  const engine = INNER[kind];
  try {
    return engine ? engine(request, by) : calculate(kind, request, by);
  } catch (error) {
    if (error instanceof ClinicalRuleError) return {};
    throw error;
  }
}

/** Caught a planted bug: a book whose `ruleFile` looked at what is in force all the same. */
test('[HAZ-13] with the book of a case recorded only no engine gives a number', () => {
  const recording = book.forCase(() => true);
  const within = book.forCase(() => false);
  const asked = new Map<string, number>();
  const given: string[] = [];
  for (const { kind, request } of requests()) {
    if (!CALCULATED.includes(kind) && INNER[kind] === undefined) continue;
    if (numbersIn(answer(kind, request, within)).length > 0) {
      asked.set(kind, (asked.get(kind) ?? 0) + 1);
    }
    const found = numbersIn(answer(kind, request, recording));
    if (found.length > 0) given.push(`${kind}: ${found.join(', ')}`);
  }
  expect(given).toEqual([]);
  for (const kind of [...CALCULATED, 'first-bleed', 'picture-length']) {
    expect(asked.get(kind), kind).toBeGreaterThan(2);
  }
});

test('[HAZ-10] [HAZ-13] a pinned book of such a case computes no more than the book does', () => {
  const { rule_files: files } = calculate(
    'sizing',
    {
      targets: [{ label: 'A', short_axis_um: 14_000, origin: 'measured' }],
      needle: { gauge: 19 },
      coils_in_stock: [],
      adhesive: null,
    },
    book,
  ) as { rule_files: { name: string; version: number; sha256: string }[] };
  const pinned = book.forCase(() => true).pinnedTo(files);
  expect(files.length).toBeGreaterThan(0);
  expect(files.filter(({ name }) => pinned.has(name))).toEqual([]);
});

// --- the places: what each would show, before and after

/** Every figure that Plan, Procedure, Workup and Close-out take from a plan or from the rules. */
function figuresOf(places: {
  plan: CasePlan;
  bedside: ProcedureSession;
  workup: Workup;
  closing: CloseOutSummary;
}): unknown[] {
  const { plan, bedside, workup, closing } = places;
  const [target] = bedside.targets;
  return [
    plan.visible,
    workup.scores.answer,
    workup.holds?.answer ?? null,
    bedside.limits,
    bedside.adhesive.aliquotUl,
    bedside.adhesive.flushUl,
    bedside.flushMedia[0] ?? null,
    target?.picks[0] ?? null,
    target ? plannedStopUm(target, 23_000) : null,
    target?.coilsFrom ?? null,
    plannedCoil(bedside),
    gateAtHand(bedside),
    ...Object.values(closing.planned),
    ...bedside.sketches.flatMap((sketch) => [sketch.plannedLoopsUm[0] ?? null]),
  ];
}

/** Caught planted bugs: `visible` and the targets of the bedside still read from the saved plan. */
test('[HAZ-13] [GATE-00] no place has a figure left, and every act is recorded', async () => {
  const bench = await openBench();
  let isRecordOnly = false;
  const app = { ...bench.app, ruleBook: bench.app.ruleBook.forCase(() => isRecordOnly) };
  const open = async () => {
    const bedside = new ProcedureSession(app, 'c1');
    const plan = new CasePlan(app, 'c1');
    const workup = new Workup(app, 'c1');
    await bench.settle();
    const closing = new CloseOutSummary(bedside as never, app.ruleBook);
    return { plan, bedside, workup, closing };
  };
  const before = figuresOf(await open());
  expect(before.filter((figure) => figure !== null).length).toBeGreaterThan(6);

  isRecordOnly = true;
  const places = await open();
  expect(figuresOf(places).filter((figure) => figure !== null)).toEqual([]);

  const { bedside } = places;
  for (const id of ['tip_seen', 'injection', 'dead_space_flush']) {
    const step = bedside.steps.find((one) => one.id === id);
    if (step === undefined) throw new Error(`no step ${id}`);
    bedside.jumpTo(step);
    expect(amountAtHand(bedside), id).toBeNull();
    expect(await bedside.pass('done', { amount: 90_000 }), id).toBe(true);
    await bench.pass();
    bedside.noteRedraw();
  }
  expect([bench.standing('adhesive_injected'), bench.standing('flush')]).toEqual([1, 1]);
});

test('[HAZ-13] the use of a case follows its record while the case is open', async () => {
  const bench = await openBench();
  const use = new CaseUse({
    store: bench.app.store,
    unitRules: { current: book },
    today: () => TODAY,
  });
  expect(use.isKnown('c1')).toBe(false);
  use.follow('c1');
  await bench.settle();
  expect([use.isKnown('c1'), use.isRecordOnly, use.ruleBook.isRecordOnly]).toEqual([
    true,
    false,
    false,
  ]);

  const [itself] = bench.store.read({ kind: 'case' });
  await bench.app.tablet.save([
    {
      draftId: 'class',
      record: 'case/c1',
      set: { varix_class: 'rectal' },
      over: { varix_class: itself?.fields.varix_class?.values[0]?.references ?? [] },
    },
  ]);
  await bench.settle();
  expect(use.outside).toEqual(['varix_class']);
  expect([use.isRecordOnly, use.ruleBook.has('sizing/limits')]).toEqual([true, false]);

  use.follow(null);
  expect([use.isKnown('c1'), use.isRecordOnly]).toEqual([false, false]);
});
