import { expect, test } from 'vitest';
import { answerFirstBleed } from '../clinical-rules/first-bleed';
import { packagedRuleBook } from '../clinical-rules/packaged-rule-files';
import type { Json, RecordState } from '../ports';
import { firstBleedClass, proposeClass, shownRanges, shownSeries } from './varix-sight';

const book = packagedRuleBook('2026-06-01');

function held(content: Record<string, Json>, inConflict = ''): RecordState {
  return {
    record: 'case/c',
    fields: Object.fromEntries(
      Object.entries(content).map(([field, value]) => [
        field,
        {
          values: [{ value, references: ['r'], by: 's', stamp: '1' }],
          isConflict: field === inConflict,
        },
      ]),
    ),
    struck: [],
    isEnteredInError: false,
    heads: [],
  };
}
const FIRST = { indication: 'primary-prophylaxis', varix_class: 'GOV2' };

test('[VR5] ranges are shown in primary prophylaxis before any bleed, and nowhere else', () => {
  expect(firstBleedClass(held(FIRST))).toBe('GOV2');
  expect(firstBleedClass(held({ ...FIRST, past_bleeds: 0 }))).toBe('GOV2');
  expect(firstBleedClass(held({ ...FIRST, past_bleeds: 1 }))).toBeNull();
  expect(firstBleedClass(held({ ...FIRST, indication: 'secondary-prophylaxis' }))).toBeNull();
  expect(firstBleedClass(held({ ...FIRST, indication: 'acute-bleed' }))).toBeNull();
  expect(firstBleedClass(held({ varix_class: 'GOV2' }))).toBeNull();
  expect(firstBleedClass(held({ indication: 'primary-prophylaxis' }))).toBeNull();
  expect(firstBleedClass(null)).toBeNull();
});

test('[VR5] [HARD-06] no range while two answers wait in a field it rests on', () => {
  for (const field of ['indication', 'varix_class', 'past_bleeds']) {
    expect(firstBleedClass(held({ ...FIRST, past_bleeds: 0 }, field))).toBeNull();
  }
});

test('[VR2] ranges read in per cent with the series at each end, and each series once', () => {
  const answer = answerFirstBleed({ varix_class: 'IGV1' }, book);
  expect(shownRanges(answer).map(({ years, low, high }) => [years, low, high])).toEqual([
    [1, '4.8', '16'],
    [3, '19.9', '36'],
    [5, '23.2', '44'],
  ]);
  expect(shownRanges(answer)[0]).toMatchObject({ lowSeries: 'Lee 2008', highSeries: 'Kim 1997' });
  expect(shownSeries(answer).map(({ series, patients }) => [series, patients])).toEqual([
    ['Lee 2008', 237],
    ['Kim 1997', 117],
  ]);
  const none = answerFirstBleed({ varix_class: 'GOV1' }, book);
  expect([shownRanges(none), shownSeries(none)]).toEqual([[], []]);
});

test('[VC1] [VC3] a class is proposed once enough is answered, never before', () => {
  expect(proposeClass('', ['fundus'])).toBeNull();
  expect(proposeClass('yes', [])).toBeNull();
  expect(proposeClass('no', [])).toBeNull();
  expect(proposeClass('yes', ['fundus'])).toBe('GOV2');
  expect(proposeClass('no', ['fundus'])).toBe('IGV1');
  expect(proposeClass('not-seen', [])).toBe('unclassified');
  expect(proposeClass('not-seen', ['fundus'])).toBe('unclassified');
});
