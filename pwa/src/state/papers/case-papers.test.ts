/** The papers of a case on a tablet: read from its record, printed, fetched and given. */
import { expect, test } from 'vitest';
import { packagedRuleBook } from '../../clinical-rules/packaged-rule-files';
import type { Draft, RecordStore } from '../../ports';
import type { App } from '../app';
import { digestOf, SIGNED_KINDS } from '../close-out';
import { openHeldStore } from '../held-store';
import { textOf } from '../shown';
import { Tablet } from '../tablet.svelte';
import { CasePapers } from './case-papers.svelte';
import { readShownCase } from './read-case';

const CASE = 'case/c1';
const ON = '2026-03-16';
const BOOK = packagedRuleBook(ON);
const clock = {
  nowMs: () => Date.parse('2026-03-16T10:00:00Z'),
  monotonicMs: () => 5_000,
  today: () => ON,
  nowIso: () => '2026-03-16T10:00:00+00:00',
};
const settle = () => new Promise((resolve) => setTimeout(resolve, 5));

async function openTablet(unit: Partial<RecordStore> = {}) {
  const { store, held } = await openHeldStore(clock, unit);
  let made = 0;
  const tablet = new Tablet(store, clock);
  const app = {
    store,
    clock,
    tablet,
    ids: { newId: () => `i${++made}` },
    unitRules: { current: BOOK },
  } as unknown as App;
  const write = (record: string, set: Draft['set'], more: Partial<Draft> = {}) =>
    tablet.save([{ draftId: `w${++made}`, record, ...(set ? { set } : {}), ...more }]);
  await write(CASE, { patient: 'patient/p1', stage: 'closed', procedure_on: '2026-03-10' });
  await write('patient/p1', { family_name: 'Reedmace', letter_language: 'es-ES' });
  await write('coil_placed/o1', { case: CASE, coil: { loop_um: 14_000 }, device: { lot: 'L-1' } });
  await write('coil_placed/o2', { case: CASE, coil: { loop_um: 12_000 }, device: { lot: 'L-2' } });
  return { app, held, write };
}

type Saved = [content: BlobPart, mediaType: string, name: string];

function papersOf(app: App) {
  const saved: Saved[] = [];
  const papers = new CasePapers(app, 'c1', (...file) => saved.push(file));
  return { papers, saved };
}

test('a paper is written from the record of this tablet; struck entries are left out', async () => {
  const { app, held } = await openTablet();
  const [coil] = held.read({ kind: 'coil_placed', record: 'coil_placed/o2' });
  await app.tablet.save([
    { draftId: 'x', record: 'coil_placed/o2', retract: coil?.heads ?? [], because: 'in error' },
  ]);
  const { papers } = papersOf(app);
  await papers.show('implant-card');

  const devices = papers.paper?.faces.flatMap(({ pairs }) =>
    pairs.filter(([, text]) => text.includes('L-')),
  );
  expect(devices?.map(([, text]) => text)).toEqual(['L-1']);
});

test('what is for the patient is in the language the patient reads, the rest in that of the unit', async () => {
  const { app } = await openTablet();
  const { papers } = papersOf(app);

  await papers.show('patient-leaflet');
  expect([papers.language, papers.paper?.is_draft]).toEqual(['es', true]);
  await papers.show('procedure-report');
  expect([papers.language, papers.paper?.is_draft]).toEqual(['en', false]);
  papers.language = 'de';
  expect(papers.paper?.title).toBe('Bericht über den Eingriff');
});

/** Caught a planted bug: fields with an earlier stamp than the signature told as changed. */
test('[HAZ-09] a change after the signature is seen, of the case too, and its stage alone is none', async () => {
  const { app, held, write } = await openTablet();
  const read = () => readShownCase(CASE, { store: app.store, book: BOOK, today: ON });
  const digest = digestOf(
    held.read({ kind: 'case', record: CASE })[0] ?? null,
    SIGNED_KINDS.flatMap((kind) => held.read({ kind, parent: CASE })),
  );
  expect((await read())?.is_changed).toBe(false);
  await write('sign_off/s1', { case: CASE, digest, at: clock.nowIso(), outcome: {} });
  expect((await read())?.is_changed).toBe(false);
  await write('visit_result/r1', { case: CASE, on: ON });
  expect((await read())?.is_changed).toBe(false);
  expect((await read())?.changed).toEqual([]);
  await write(CASE, { shunt: 'present', stage: 'closed' });
  expect((await read())?.is_changed).toBe(true);
  expect((await read())?.changed).toEqual([[CASE, 'shunt']]);
});

test('giving a paper records which, in what language, and the hash of what it said', async () => {
  const { app, held } = await openTablet();
  const { papers } = papersOf(app);
  await papers.show('patient-leaflet');
  await papers.give('Given');
  await settle();

  const [given] = held.read({ kind: 'document_given', parent: CASE });
  expect(['document', 'language', 'at'].map((field) => textOf(given, field))).toEqual([
    'patient-leaflet',
    'es',
    clock.nowIso(),
  ]);
  expect(textOf(given, 'sha256')).toMatch(/^[0-9a-f]{64}$/);
  expect(papers.given.map(({ paper }) => paper)).toEqual(['patient-leaflet']);
});

const resting = async () => ({ state: 'resting', unsent: 0 });

test('the PDF is fetched from the unit in the language chosen, and handed on as a file', async () => {
  const asked: unknown[] = [];
  const askClinic = async (...question: unknown[]) => {
    asked.push(question);
    return { kind: 'told', pdf: btoa('%PDF-1.7'), language: 'de', is_draft: true };
  };
  const { app } = await openTablet({ exchangeNow: resting, askClinic } as never);
  const { papers, saved } = papersOf(app);
  await papers.show('procedure-report');
  papers.language = 'de';
  await papers.fetchPdf();

  expect(asked).toEqual([['paper', { document: 'procedure-report', case: 'c1', language: 'de' }]]);
  expect(saved.map(([content]) => new TextDecoder().decode(content as Uint8Array))).toEqual([
    '%PDF-1.7',
  ]);
  expect(saved[0]?.slice(1)).toEqual(['application/pdf', 'procedure-report-c1.pdf']);
  expect(papers.fetchState.kind).toBe('fetched');
});

test.each([
  ['unsent', async () => ({ state: 'no-network', unsent: 3 }), ''],
  ['alone', async () => ({ state: 'alone', unsent: 4 }), ''],
  ['refused', resting, 'The unit did not answer.'],
])(
  '[UX-17] without the unit it is said why and nothing is handed on: %s',
  async (kind, exchangeNow, sentence) => {
    const askClinic = async () => ({ kind: 'not-told', sentence });
    const { app } = await openTablet({ exchangeNow, askClinic } as never);
    const { papers, saved } = papersOf(app);
    await papers.show('procedure-report');
    await papers.fetchPdf();

    expect(papers.fetchState.kind).toBe(kind);
    expect(saved).toEqual([]);
  },
);
