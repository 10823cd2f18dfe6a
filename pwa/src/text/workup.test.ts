import { expect, test } from 'vitest';
import { LAB_KINDS, type LabShown } from '../state/workup-labs';
import { liverWords } from './workup';

const lab = (analyte: string, milli: number, more: Partial<LabShown> = {}): LabShown => {
  const kind = LAB_KINDS.find((one) => one.analyte === analyte);
  if (kind === undefined) throw new Error(analyte);
  const given = {
    origin: 'measured',
    takenOn: '2026-03-01',
    isConflict: false,
    also: '',
    ...more,
  } as const;
  return { kind, state: null, milli, unit: kind.unit, ...given };
};

test('[CAU-04] each number of a score is named with unit, origin and day', () => {
  const said = (key: string, shown: LabShown) => liverWords.input({ kind: 'lab', key, lab: shown });

  expect(said('bilirubin', lab('bilirubin', 34_000))).toBe(
    'bilirubin 34 µmol/L, measured, 2026-03-01',
  );
  expect(said('sodium_mmol_l', lab('sodium', 131_000, { origin: 'earlier-record' }))).toBe(
    'sodium 131 mmol/L, from earlier record, 2026-03-01',
  );
  expect(said('bilirubin', lab('bilirubin', 34_000, { also: '1.99 mg/dL' }))).toBe(
    'bilirubin 34 µmol/L (1.99 mg/dL), measured, 2026-03-01',
  );
  expect(said('inr', lab('inr', 1_700, { takenOn: '' }))).toBe('INR 1.7, measured');
});

test('findings, age and weight are named in plain words', () => {
  const finding = (field: string, answer: string | boolean) =>
    liverWords.input({ kind: 'finding', field, answer });

  expect(finding('ascites', 'moderate-severe')).toBe('ascites moderate to severe');
  expect(finding('encephalopathy', 'grade1-2')).toBe('encephalopathy grade 1–2');
  expect(finding('dialysis', false)).toBe('dialysis no');
  expect(liverWords.input({ kind: 'age', years: 61 })).toBe('61 years');
  expect(liverWords.input({ kind: 'weight', grams: 71_500 })).toBe('weight 71.5 kg');
  expect(liverWords.input({ kind: 'sex', sex: 'female' })).toBe('female');
});
