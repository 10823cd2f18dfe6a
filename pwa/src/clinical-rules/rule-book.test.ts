/** Rule files and the rule book: what is refused, and with which sentence. */
import { createHash } from 'node:crypto';
import { readFileSync } from 'node:fs';
import { expect, test } from 'vitest';
import { refuseBandFaults } from './bands';
import { RuleFileError } from './errors';
import { packagedRuleBook, readPackagedRuleFiles } from './packaged-rule-files';
import { nameRuleFiles, RuleBook } from './rule-book';
import { readRuleFile, refuseGapsAndOverlaps, rowShape } from './rule-file';
import { wholeNumber } from './shapes';

const PATH = 'sizing/example.v3.json';
const readRow = rowShape({ from_um: wholeNumber }, { below_um: wholeNumber });

const content = (changes: Record<string, unknown> = {}) =>
  JSON.stringify({
    name: 'sizing/example',
    version: 3,
    status: 'in force',
    in_force_from: '2026-01-01',
    source: { title: 'An example', edition: '', page: '' },
    approved_by: [],
    unit: 'um',
    rows: [{ from_um: 0, below_um: 5000, source: 'derived here', basis: 'derived' }],
    note: 'é',
    ...changes,
  });
const listing = (in_force: unknown[], defaults: unknown[] = []) =>
  JSON.stringify({ in_force, defaults });
const line = (version: number, from_on: string) => ({ name: 'sizing/example', version, from_on });

test('[RF2] [RF3] a rule file is read with the hash of its UTF-8 bytes', () => {
  const read = readRuleFile(PATH, content(), readRow);
  expect(read.sha256).toBe(createHash('sha256').update(content(), 'utf8').digest('hex'));
  expect(read.rows).toEqual([
    { from_um: 0, below_um: 5000, source: 'derived here', basis: 'derived' },
  ]);
});

test.each([
  ['{', 'cannot be read'],
  [content({ colour: 'red' }), 'colour is no known key'],
  [content({ status: 'approved?' }), 'status must be one of'],
  [content({ version: 2 }), 'calls itself sizing/example version 2. Correct its `name`'],
  [content({ rows: [] }), 'has no rows. Add at least one.'],
  [content({ rows: [{ from_um: 0 }, { from: 1 }] }), 'row 2 cannot be read'],
  [content({ rows: [{ from_um: 0.5 }] }), 'row 1 cannot be read'],
  [content({ rows: [{ from_um: 0, basis: 'rumour' }] }), 'row 1 cannot be read'],
])('[RF1] a faulty rule file is refused with file, row and remedy: %#', (faulty, sentence) => {
  expect(() => readRuleFile(PATH, faulty, readRow)).toThrow(RuleFileError);
  expect(() => readRuleFile(PATH, faulty, readRow)).toThrow(sentence);
  expect(() => readRuleFile(PATH, faulty, readRow)).toThrow('sizing/example.v3.json');
});

test('[RF4] ranges that overlap or leave a gap are refused with both rows', () => {
  const check = (ranges: [number, number | null][]) => () =>
    refuseGapsAndOverlaps('sizing/x.v3.json', ranges, { unit: 'um', belowKey: 'below_um' });
  expect(
    check([
      [0, 6000],
      [5000, null],
    ]),
  ).toThrow(
    'Rule file sizing/x.v3.json: rows 1 and 2 overlap (5000-6000 um). ' +
      'Correct `below_um` of row 1.',
  );
  expect(
    check([
      [0, 4999],
      [5000, null],
    ]),
  ).toThrow('rows 1 and 2 leave a gap (4999-5000 um)');
  expect(
    check([
      [0, null],
      [5000, null],
    ]),
  ).toThrow('row 1 ends before it begins or has no end');
  expect(
    check([
      [0, 5000],
      [5000, null],
    ]),
  ).not.toThrow();
});

test('[RF8] every number lies in exactly one band', () => {
  const check =
    (...rows: Parameters<typeof refuseBandFaults>[2][number][]) =>
    () =>
      refuseBandFaults('liver_scores/x.v1.json', 'inr', rows);
  expect(check({ below: '2' }, { at_least: '2', at_most: '3' }, { above: '3' })).not.toThrow();
  expect(check({ below: '2' }, { above: '2' })).toThrow('band 2 of inr must begin at_least 2');
  expect(check({ at_most: '2' }, { at_least: '2' })).toThrow('band 2 of inr must begin above 2');
  expect(check({ at_least: '2' })).toThrow('must begin without lower bound');
  expect(check({ below: '2', at_most: '2' }, { above: '2' })).toThrow('both `at_most` and `below`');
  expect(check({ below: 'two' }, { at_least: 'two' })).toThrow('two is no decimal number');
});

test('[RF5] the version whose day has come last is in force', () => {
  const contents = {
    [PATH]: content(),
    'sizing/example.v4.json': content({ version: 4 }),
    'in_force.json': listing([line(4, '2026-03-01'), line(3, '2026-01-01')]),
  };
  for (const [on, version] of [
    ['2026-02-28', 3],
    ['2026-03-01', 4],
    ['2026-03-02', 4],
  ] as const) {
    expect(new RuleBook(contents, on).ruleFile('sizing/example', readRow).version).toBe(version);
  }
  expect(() => new RuleBook(contents, '2025-12-31').ruleFile('sizing/example', readRow)).toThrow(
    'No version of rule file sizing/example is in force on 2025-12-31',
  );
  expect(() => new RuleBook(contents, 'yesterday')).toThrow('Give the rule book a date');
});

test.each(['draft', 'retired'])('[RF6] a %s file is never in force', (status) => {
  const contents = {
    [PATH]: content({ status }),
    'in_force.json': listing([line(3, '2026-01-01')]),
  };
  const book = new RuleBook(contents, '2026-03-01');
  expect(() => book.ruleFile('sizing/example', readRow)).toThrow(`its status is ${status}`);
});

test('[RF6] a listed file that is missing is refused', () => {
  const contents = { 'in_force.json': listing([line(3, '2026-01-01')]) };
  expect(() => new RuleBook(contents, '2026-03-01')).toThrow('lists sizing/example.v3.json');
  expect(() => new RuleBook({}, '2026-03-01')).toThrow('in_force.json is missing');
});

test('[RF7] an answer names its rule files by name, version and hash', () => {
  const read = readRuleFile(PATH, content(), readRow);
  expect(nameRuleFiles(read)).toEqual([
    { name: 'sizing/example', version: 3, sha256: read.sha256 },
  ]);
});

test('[RF9] the bundled files are the released ones, byte for byte', () => {
  const file = new URL('../../../tests/documents/released_rule_files.json', import.meta.url);
  const released = JSON.parse(readFileSync(file, 'utf8')) as Record<string, string>;
  const bundled = readPackagedRuleFiles();
  for (const [path, sha256] of Object.entries(released)) {
    const bytes = bundled[path] ?? '';
    expect(createHash('sha256').update(bytes, 'utf8').digest('hex'), path).toBe(sha256);
  }
  expect(packagedRuleBook('2026-11-25').names('antithrombotic_holds')).toEqual([
    'antithrombotic_holds/apage-apsde-2018',
    'antithrombotic_holds/bsg-esge-2016',
    'antithrombotic_holds/bsg-esge-2021',
  ]);
});
