import { expect, test } from 'vitest';
import { answerLiverScores } from '../clinical-rules/liver-scores';
import { packagedRuleBook } from '../clinical-rules/packaged-rule-files';
import type { Json, RecordState } from '../ports';
import { calculate, partOf } from './calculation';
import {
  ageOn,
  askHolds,
  askLiverScores,
  openParts,
  PART_OF_ITEM,
  toggleAnswer,
  WORKUP_PARTS,
} from './workup';
import { latestLabs, placeLab } from './workup-labs';

function held(record: string, content: Record<string, Json>, stamp = '1'): RecordState {
  return {
    record,
    fields: Object.fromEntries(
      Object.entries(content).map(([field, value]) => [
        field,
        { values: [{ value, references: ['r'], by: 's', stamp }], isConflict: false },
      ]),
    ),
    struck: [],
    isEnteredInError: false,
    heads: [],
  };
}
const lab = (
  id: string,
  analyte: string,
  value_milli: number,
  unit: string,
  more: Record<string, Json> = { origin: 'measured', taken_on: '2026-03-10' },
  stamp = '1',
) =>
  held(
    `lab_result/${id}`,
    { case: 'case/c', analyte, result: { value_milli, unit, ...more } },
    stamp,
  );
const patient = held('patient/p', { born_on: '1961-05-04', sex: 'male' });
const TODAY = '2026-03-16';

test('the latest number of a day stands; an older day written later does not replace it', () => {
  const labs = latestLabs([
    lab('1', 'inr', 1700, 'ratio', { origin: 'measured', taken_on: '2026-03-10' }, '2'),
    lab('2', 'inr', 1400, 'ratio', { origin: 'measured', taken_on: '2026-03-12' }, '1'),
    lab('3', 'inr', 2900, 'ratio', { origin: 'earlier-record', taken_on: '2026-01-01' }, '9'),
  ]);
  expect(labs.find(({ kind }) => kind.analyte === 'inr')?.milli).toBe(1400);
});

/** Reference: class B with 9 points, the row of clincalc 0.4.0 quoted in the clinical facts. */
test('Child-Pugh of the record is that of the published example', () => {
  const labs = latestLabs([
    lab('1', 'bilirubin', 34_200, 'umol/L'),
    lab('2', 'albumin', 35_000, 'g/L'),
    lab('3', 'inr', 1_700, 'ratio'),
  ]);
  const found = held('case/c', { ascites: 'mild', encephalopathy: 'none' });
  const { request } = askLiverScores(found, patient, labs, TODAY);
  const { answer } = calculate(() => answerLiverScores(request, packagedRuleBook(TODAY)));
  expect(partOf(answer, 'child_pugh')).toMatchObject({ points: 9, class: 'B' });
});

test('[HAZ-09] a number of which nobody said that it was measured is not calculated with', () => {
  const labs = latestLabs([lab('1', 'albumin', 35_000, 'g/L', {})]);
  expect(askLiverScores(null, patient, labs, TODAY).request).not.toHaveProperty('albumin');
});

test('unknown numbers block nothing: the question is asked with what there is', () => {
  const { request } = askLiverScores(null, null, latestLabs([]), TODAY);
  expect(request).toEqual({});
  const { answer, sentence } = calculate(() => answerLiverScores(request, packagedRuleBook(TODAY)));
  expect(sentence).not.toBe('');
  expect(partOf(answer, 'child_pugh')?.missing).toContain('bilirubin');
});

test('[CAU-04] numbers that are estimated or from an earlier record are named as such', () => {
  const labs = latestLabs([lab('1', 'albumin', 35_000, 'g/L', { origin: 'estimated' })]);
  expect(askLiverScores(null, patient, labs, TODAY).notMeasured).toEqual(['albumin']);
});

test('[HARD-06] a number with two answers is left out and named', () => {
  const twice = lab('1', 'inr', 1_700, 'ratio');
  const result = twice.fields.result;
  if (result) result.isConflict = true;
  const question = askLiverScores(null, patient, latestLabs([twice]), TODAY);
  expect(question.request).not.toHaveProperty('inr');
  expect(question.inConflict).toEqual(['inr']);
});

test('age counts birthdays, not years', () => {
  expect(ageOn('1961-05-04', '2026-05-03')).toBe(64);
  expect(ageOn('1961-05-04', '2026-05-04')).toBe(65);
  expect(ageOn('', '2026-05-04')).toBeNull();
});

test('two tablets that write the first sodium write the same record', () => {
  const [sodium] = latestLabs([]).filter(({ kind }) => kind.analyte === 'sodium');
  if (!sodium) throw new Error('no sodium');
  const batch = { origin: 'measured', takenOn: TODAY } as const;
  const entry = placeLab('case/c', [], sodium, 131_000, batch);
  expect(entry.record).toBe('lab_result/c-sodium-1');
  expect(entry.result).toEqual({
    value_milli: 131_000,
    unit: 'mmol/L',
    origin: 'measured',
    taken_on: TODAY,
  });
});

test('[HAZ-09] where nobody has pressed origin or day, the entry has none', () => {
  const [sodium] = latestLabs([]).filter(({ kind }) => kind.analyte === 'sodium');
  if (!sodium) throw new Error('no sodium');
  const { result } = placeLab('case/c', [], sodium, 131_000, { origin: null, takenOn: '' });
  expect(Object.keys(result)).toEqual(['value_milli', 'unit']);
});

test('a number of another day is a new record, one of the same day corrects it', () => {
  const labs = [lab('c-inr-1', 'inr', 1_700, 'ratio')];
  const inr = latestLabs(labs).find(({ kind }) => kind.analyte === 'inr');
  if (!inr) throw new Error('no INR');
  const place = (takenOn: string) =>
    placeLab('case/c', labs, inr, 1_500, { origin: 'measured', takenOn });
  expect(place('2026-03-10')).toMatchObject({ record: 'lab_result/c-inr-1', onScreen: labs[0] });
  expect(place('2026-03-12')).toMatchObject({ record: 'lab_result/c-inr-2', onScreen: null });
});

test('an answer that excludes the rest stands alone', () => {
  expect(toggleAnswer(['red-spot'], 'none-seen', ['none-seen'])).toEqual(['none-seen']);
  expect(toggleAnswer(['none-seen'], 'red-spot', ['none-seen'])).toEqual(['red-spot']);
  expect(toggleAnswer(['red-spot'], 'red-spot', ['none-seen'])).toEqual([]);
});

test('holds are asked by the unit profile unless the case names another', () => {
  const entered = { drugs: ['warfarin'], urgent: false };
  const asked = (antithrombotics: Json) =>
    askHolds(
      held('case/c', { procedure_on: '2026-03-23', antithrombotics }),
      'bsg-esge-2021',
      null,
    );
  expect(asked(entered)).toMatchObject({ request: { profile: 'bsg-esge-2021' } });
  expect(asked({ ...entered, profile: 'bsg-esge-2016' })).toMatchObject({
    request: { profile: 'bsg-esge-2016', procedure_on: '2026-03-23', urgent: false },
  });
});

test('an acute bleed or an urgent procedure is decided by the team, never computed', () => {
  const bleeding = held('case/c', {
    indication: 'acute-bleed',
    procedure_on: TODAY,
    antithrombotics: { drugs: ['apixaban'], urgent: false },
  });
  const urgent = held('case/c', { antithrombotics: { drugs: [], urgent: true } });
  expect(askHolds(bleeding, 'p', null)).toEqual({ kind: 'team-decides' });
  expect(askHolds(urgent, 'p', null)).toEqual({ kind: 'team-decides' });
});

test('[HARD-06] no hold is computed while one of two answers says acute bleed', () => {
  const open = held('case/c', {
    indication: 'acute-bleed',
    procedure_on: '2026-03-23',
    antithrombotics: { drugs: ['apixaban'], urgent: false },
  });
  if (open.fields.indication) open.fields.indication.isConflict = true;
  expect(askHolds(open, 'p', null)).toEqual({ kind: 'conflict', fields: ['indication'] });
});

test('no drug pressed and "none" pressed are told apart', () => {
  const nobody = askHolds(held('case/c', {}), 'p', null);
  const none = askHolds(held('case/c', { antithrombotics: { drugs: [] } }), 'p', null);
  expect(nobody).toEqual({ kind: 'missing', fields: ['drugs', 'procedure_on', 'urgent'] });
  expect(none).toEqual({ kind: 'none-taken' });
});

test('a fresh case lists everything open, and each open item has its part', () => {
  const open = openParts(held('case/c', { stage: 'workup' }), latestLabs([]));
  expect(open).toHaveLength(10);
  for (const item of open) expect(WORKUP_PARTS).toContain(PART_OF_ITEM[item]);
});
