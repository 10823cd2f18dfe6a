/**
 * Planted bugs that these caught: a source written beside the one that was on screen, the
 * answers of a visit written one over the other, and a day kept beside "no".
 */
import { expect, test } from 'vitest';
import { packagedRuleBook } from '../clinical-rules/packaged-rule-files';
import { eventWords } from '../text/adverse-events';
import { surveillance } from '../text/surveillance';
import { hasSource, sourceDraft, sourcesOf } from './bleed-source';
import { CaseRecord } from './case-record.svelte';
import { openHeldStore } from './held-store';
import { type RecordState, shown, textOf } from './shown';
import { Surveillance } from './surveillance.svelte';
import { Tablet } from './tablet.svelte';

const TODAY = '2026-03-16';
const VISIT = 'visit/v-1';
const EVENT = 'complication/e-1';
const clock = {
  nowMs: () => Date.parse('2026-03-16T10:00:00Z'),
  monotonicMs: () => 0,
  today: () => TODAY,
  nowIso: () => '2026-03-16T10:00:00+00:00',
};

async function openVisit() {
  const { store, held } = await openHeldStore(clock);
  const tablet = new Tablet(store, clock);
  await tablet.chooseWhoTaps('staff/s-1', 'Otis', 'endoscopist');
  const patient = 'patient/p-1';
  const seen = { case: 'case/c-1', visit: VISIT, on: '2026-03-10', doppler_flow: 'no' };
  const written: Record<string, Record<string, string>> = {
    [patient]: { family_name: 'Sample' },
    'case/c-1': { patient, stage: 'closed', procedure_on: '2026-01-05' },
    [VISIT]: { patient, case: 'case/c-1', status: 'attended' },
    'visit_result/v-1': seen,
    [EVENT]: { case: 'case/c-1', what: 'bleeding' },
  };
  await tablet.save(
    Object.entries(written).map(([record, set]) => ({ draftId: record, record, set })),
  );
  const caseRecord = new CaseRecord(store, 'c-1');
  const ruleBook = packagedRuleBook(TODAY);
  const plan = new Surveillance({ store, tablet, clock, ruleBook }, caseRecord);
  const read = async (record: string): Promise<RecordState> => {
    const [kind = ''] = record.split('/');
    const [found] = await store.read({ kind, record });
    if (found === undefined) throw new Error(`no ${record}`);
    return found;
  };
  return { tablet, held, plan, read };
}

test('each answer about a bleed stands beside the others, however fast they are pressed', async () => {
  const { plan, read } = await openVisit();
  const visit = await read(VISIT);
  await Promise.all([
    plan.recordBleed(visit, { answer: 'yes' }, 'bled'),
    plan.recordBleed(visit, { on: '2026-02-20' }, 'day'),
    plan.recordBleed(visit, { source: 'treatment-ulcer' }, 'source'),
  ]);
  const result = await read('visit_result/v-1');

  expect(shown(result, 'bled')).toEqual({
    answer: 'yes',
    on: '2026-02-20',
    source: 'treatment-ulcer',
  });
  expect(textOf(result, 'doppler_flow')).toBe('no');
});

test('who did not bleed, or was not asked, has no day and no source of a bleed', async () => {
  for (const answer of ['no', 'not-asked']) {
    const { plan, read } = await openVisit();
    const visit = await read(VISIT);
    await plan.recordBleed(visit, { answer: 'yes' }, 'bled');
    await plan.recordBleed(visit, { on: '2026-02-20' }, 'day');
    await plan.recordBleed(visit, { answer }, 'bled');

    expect(shown(await read('visit_result/v-1'), 'bled')).toEqual({ answer });
  }
});

test('one press takes an answer back, and the one before stands again', async () => {
  const { plan, read } = await openVisit();
  const visit = await read(VISIT);
  await plan.recordBleed(visit, { answer: 'no' }, 'bled');
  await plan.recordBleed(visit, { answer: 'yes' }, 'bled');
  await plan.undo();

  expect(shown(await read('visit_result/v-1'), 'bled')).toEqual({ answer: 'no' });
});

test('a source is written over what was on screen, and over nothing that came in since', async () => {
  const { tablet, read } = await openVisit();
  let count = 0;
  const newId = () => `${++count}`;
  const first = await read(EVENT);
  await tablet.save([sourceDraft(first, 'unknown', newId)]);
  const second = await read(EVENT);
  await tablet.save([sourceDraft(first, 'gastric-varix', newId)]);
  const torn = await read(EVENT);
  await tablet.save([sourceDraft(torn, 'other', newId)]);

  expect(sourcesOf(first)).toEqual([]);
  expect(sourcesOf(second)).toEqual(['unknown']);
  expect(sourcesOf(torn).sort()).toEqual(['gastric-varix', 'unknown']);
  expect(sourcesOf(await read(EVENT))).toEqual(['other']);
  expect([hasSource(first), hasSource(await read(VISIT))]).toEqual([true, false]);
});

test('every source and answer has a word', () => {
  expect(eventWords.bleedSources.map(({ id }) => id)).toEqual([
    ...['gastric-varix', 'oesophageal-varix', 'treatment-ulcer', 'adhesive-extrusion'],
    ...['other', 'unknown'],
  ]);
  expect(surveillance.bledChoices.map(({ id }) => id)).toEqual(['yes', 'no', 'not-asked']);
});
