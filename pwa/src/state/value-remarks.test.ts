import { readdirSync, readFileSync } from 'node:fs';
import { expect, test } from 'vitest';
import { exact } from '../clinical-rules/measures';
import { packagedRuleBook, readPackagedRuleFiles } from '../clinical-rules/packaged-rule-files';
import { RuleBook } from '../clinical-rules/rule-book';
import { findValueCautions, USUAL_BANDS } from '../clinical-rules/value-cautions';
import { remarksOn } from './value-remarks';
import { LAB_KINDS } from './workup-labs';

const book = packagedRuleBook('2026-06-01');
const SHORT = { quantity: 'short_axis', unit: 'mm' };
const ids = (remarks: { id: string }[]) => remarks.map(({ id }) => id);

test('[VA1] micrometres on the pad are compared as the millimetres they show', () => {
  expect(ids(remarksOn(book, SHORT, 'mm', 60_000, null))).toEqual([]);
  expect(ids(remarksOn(book, SHORT, 'mm', 60_100, null))).toEqual(['SOFT-01']);
  expect(remarksOn(book, SHORT, 'mm', 60_100, null)[0]?.text).toBe(
    'Short axis 60.1 mm lies outside the usual 2 to 60 mm. Check the entry.',
  );
});

test('[SOFT-02] the remark is the text of its row, with both numbers', () => {
  expect(remarksOn(book, SHORT, 'mm', 4_000, 40_000)[0]?.text).toBe(
    'Short axis 4 mm, last time 40 mm: 10 times apart or more. Check the decimal point.',
  );
});

test('[SOFT-03] what is estimated, or from an earlier record, is said beside the number', () => {
  const from = (origin: 'estimated' | 'earlier-record') =>
    remarksOn(book, { ...SHORT, origin }, 'mm', 14_000, null)[0];
  expect(from('estimated')).toEqual({
    id: 'SOFT-03',
    level: 'note',
    text: 'Estimated, not measured: Short axis. Measure before you rely on the number.',
  });
  expect(from('earlier-record')?.text).toContain('is from an earlier record');
});

test('[VA2] [HAZ-03] centimetres after millimetres are told on every field, with a band or without', () => {
  expect(ids(remarksOn(book, SHORT, 'mm', 1_400, 14_000))).toEqual(['SOFT-01', 'SOFT-02']);
  expect(ids(remarksOn(book, null, 'mm', 1_400, 14_000))).toEqual(['SOFT-02']);
  expect(ids(remarksOn(book, null, 'mm', 1_401, 14_000))).toEqual([]);
});

test('[VA3] the origin of the number being entered counts', () => {
  const from = (origin: 'measured' | 'estimated' | null) =>
    ids(remarksOn(book, { ...SHORT, origin }, 'mm', 14_000, null));
  expect(from('estimated')).toEqual(['SOFT-03']);
  expect(from('measured')).toEqual([]);
  expect(from(null)).toEqual([]);
});

test('[VA5] bands that cannot be used take no pad away: tenfold is still said', () => {
  const files = readPackagedRuleFiles();
  const path = `${USUAL_BANDS}.v1.json`;
  const broken = new RuleBook({ ...files, [path]: '{}' }, '2026-06-01');
  expect(ids(remarksOn(broken, SHORT, 'mm', 140_000, 14_000))).toEqual(['SOFT-02']);
  expect(ids(remarksOn(book, { quantity: 'height', unit: 'cm' }, 'cm', 170_000, 17_000))).toEqual([
    'SOFT-02',
  ]);
});

/** Whatever a screen names as a quantity; one misspelt would never be remarked on. */
function namedOnScreens(): { quantity: string; unit: string }[] {
  const folder = new URL('../', import.meta.url);
  return readdirSync(folder, { recursive: true })
    .map(String)
    .filter((file) => file.endsWith('.svelte'))
    .flatMap((file) => [
      ...readFileSync(new URL(file, folder), 'utf8').matchAll(
        /quantity: '([a-z_]+)',[^}]*?unit: '([^']+)'/g,
      ),
    ])
    .map(([, quantity = '', unit = '']) => ({ quantity, unit }));
}

test('[VA1] every quantity named on a screen has its band', () => {
  const named = namedOnScreens();
  expect(named.map(({ quantity }) => quantity)).toEqual(
    expect.arrayContaining(['weight', 'systolic', 'pulse', 'adhesive_planned', 'coil_wire']),
  );
  const axes = [
    'short_axis',
    'long_axis',
    'third_axis',
    'measured_distance',
    'near_wall',
    'far_wall',
  ];
  for (const { quantity, unit } of [
    ...named,
    ...axes.map((one) => ({ quantity: one, unit: 'mm' })),
  ]) {
    expect(() => findValueCautions(quantity, unit, exact(1), null, null, book)).not.toThrow();
  }
});

test('[HAZ-51] every laboratory number has one unit, and its pad reaches past its usual band', () => {
  for (const { analyte, unit, rules } of LAB_KINDS) {
    expect(unit).not.toBe('');
    const remarks = remarksOn(book, { quantity: analyte, unit }, unit, rules.largestMilli, null);
    expect(ids(remarks), analyte).toEqual(['SOFT-01']);
  }
});
