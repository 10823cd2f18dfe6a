import { expect, test } from 'vitest';
import { readPackagedRuleFiles } from '../clinical-rules/packaged-rule-files';
import { hashText, rowShape } from '../clinical-rules/rule-file';
import { text, wholeNumber } from '../clinical-rules/shapes';
import type { Json, RecordState } from '../ports';
import { ruleFiles } from '../text/rules';
import {
  approvalOf,
  listRuleFiles,
  openRuleBook,
  protocolStanding,
  readUnitRules,
} from './unit-rules';

const ON = '2026-03-16';
const LIMITS = readPackagedRuleFiles()['sizing/limits.v1.json'] ?? '';
const readRow = rowShape({ item: text, amount: wholeNumber });

/** A record of which every field holds the values given, as merged. */
function record(name: string, fields: Record<string, Json[]>): RecordState {
  const held = (value: Json, place: number) => ({
    value,
    references: [`unit-server.e.${place}#0000000000000000`],
    by: 'staff/wren',
    stamp: `0000000000${place}-0000-d`,
  });
  return {
    record: name,
    fields: Object.fromEntries(
      Object.entries(fields).map(([field, values]) => [
        field,
        { values: values.map(held), isConflict: values.length > 1 && field !== 'approval' },
      ]),
    ),
    struck: [],
    isEnteredInError: false,
    heads: [],
    conflicts: [],
  } as unknown as RecordState;
}

const live = record('site/tarn-hollow', { live_from: ['2026-03-01'] });
const approval = (name: string, sha256: string): Json => ({
  by: `staff/${name}`,
  name,
  role: 'endoscopist',
  sha256,
  from_on: '2026-03-01',
});
const released = (version: number, content: string, fields: Record<string, Json[]>) =>
  record(`rule_file_release/sizing-limits-v${version}`, {
    file: [{ name: 'sizing/limits', version }],
    approval: [approval('wren', hashText(content)), approval('otis', hashText(content))],
    ...fields,
  });

test('[RL5] a unit that is live never goes back to training, whatever the clock or a device says', () => {
  const later = record('site/tarn-hollow', { live_from: ['2027-01-01', '2028-01-01'] });
  expect(readUnitRules([], []).isTraining).toBe(true);
  expect(readUnitRules([live], []).isTraining).toBe(false);
  expect(readUnitRules([later], []).isTraining).toBe(false);
});

test('[RL2] [HARD-07] live, an own version that two people approved computes, another does not', () => {
  const own = LIMITS.replace('"version": 1', '"version": 1001').replace('6000', '5000');
  const rules = readUnitRules([live], [released(1001, own, { content: [own] })]);
  const book = openRuleBook(rules, ON);
  const row = book
    .ruleFile('sizing/limits', readRow)
    .rows.find(({ item }) => item === 'second_person_ul');
  expect(row?.amount).toBe(5000);
  expect(() => book.ruleFile('sizing/coil_counts', readRow)).toThrow('nobody has approved it');
  const line = listRuleFiles(rules, ON).find(({ version }) => version === 1001);
  expect(line).toMatchObject({ standing: 'in force', why: null, approvedBy: ['wren', 'otis'] });
});

test('[HAZ-10] beside a plan stands who approved its files, and which nobody has', () => {
  const own = LIMITS.replace('"version": 1', '"version": 1001');
  const rules = readUnitRules([live], [released(1001, own, { content: [own] })]);
  const asked = (version: number) => ({ name: 'sizing/limits', version });

  expect(approvalOf(rules, ON, [asked(1001)])).toEqual({ names: ['otis', 'wren'], lacking: [] });
  expect(approvalOf(rules, ON, [asked(1), asked(9)])).toEqual({
    names: [],
    lacking: ['sizing/limits v1', 'sizing/limits v9'],
  });
});

test('[RL10] of two days of retirement the earlier counts', () => {
  const standing = (fields: Record<string, Json[]>) =>
    listRuleFiles(readUnitRules([live], [released(1, LIMITS, fields)]), ON).find(
      ({ name, version }) => name === 'sizing/limits' && version === 1,
    )?.standing;
  expect(standing({})).toBe('in force');
  expect(standing({ retired_on: ['2026-05-01', '2026-03-16'] })).toBe('retired');
});

test('[RL2] [RL4] why a version does not count is told in facts, and said in words', () => {
  const lineOf = (releases: RecordState[], version = 1) => {
    const found = listRuleFiles(readUnitRules([live], releases), ON).find(
      (line) => line.name === 'sizing/limits' && line.version === version,
    );
    if (found === undefined) throw new Error('no such rule file');
    return found;
  };
  const own = LIMITS.replace('"version": 1', '"version": 1001');
  const said = (releases: RecordState[], version = 1) => {
    const { standing, why } = lineOf(releases, version);
    return ruleFiles.standing(standing, why);
  };

  expect(lineOf([]).why).toEqual({ because: 'approvals', count: 0, needed: 2 });
  expect(said([])).toBe('draft, 0 of 2 people approved it.');
  expect(said([released(1, LIMITS, {})])).toBe('in force.');
  expect(said([released(1, LIMITS, { retired_on: ['2026-03-16'] })])).toBe(
    'retired, it was retired on Mon 16 Mar 2026.',
  );
  // Two versions in force: one counts, and the other says which.
  const both = [released(1, LIMITS, {}), released(1001, own, { content: [own] })];
  expect([said(both), said(both, 1001)].sort()).toEqual([
    'in force, version 1001 counts instead.',
    'in force.',
  ]);
});

test('[RL11] a text under a released name does not stand in its place', () => {
  const altered = LIMITS.replace('6000', '60000');
  const rules = readUnitRules([live], [released(1, altered, { content: [altered] })]);
  expect(rules.contents['sizing/limits.v1.json']).toBe(LIMITS);
  expect(openRuleBook(rules, ON).has('sizing/limits')).toBe(false);
});

test('[RL12] what a device says of rule files and of going live counts for nothing', () => {
  const of = (state: RecordState): RecordState =>
    JSON.parse(JSON.stringify(state).replaceAll('unit-server.', 'tablet-a.'));
  const own = LIMITS.replace('"version": 1', '"version": 1001').replace('6000', '60000');
  const forged = of(released(1001, own, { content: [own] }));
  expect(readUnitRules([of(live)], []).isTraining).toBe(true);
  const rules = readUnitRules([live], [forged]);
  expect([rules.releases, rules.contents['sizing/limits.v1001.json']]).toEqual([[], undefined]);
});

test('[HARD-07] the rule files of the numbers are signed, a draft, not yet in force, or expired', () => {
  const files = Object.entries(readPackagedRuleFiles()).filter(([path]) =>
    /^sizing\/.+\.v\d+\.json$/.test(path),
  );
  const release = (fields: Record<string, Json[]>, approvedFrom = '2026-03-01') =>
    files.map(([path, content]) => {
      const [, name = '', version = ''] = /^(.+)\.v(\d+)\.json$/.exec(path) ?? [];
      const approvals = ['wren', 'otis'].map((person) => ({
        ...(approval(person, hashText(content)) as Record<string, Json>),
        from_on: approvedFrom,
      }));
      return record(`rule_file_release/${name.replace('/', '-')}-v${version}`, {
        file: [{ name, version: Number(version) }],
        approval: approvals,
        ...fields,
      });
    });
  const standing = (releases: RecordState[], sites = [live]) =>
    protocolStanding(readUnitRules(sites, releases), ON, 'sizing');

  expect(standing([], [])).toBe('signed'); // training
  expect(standing([])).toBe('draft');
  expect(standing(release({}))).toBe('signed');
  expect(standing(release({}, '2026-03-17'))).toBe('unsigned');
  expect(standing(release({ retired_on: ['2026-03-16'] }))).toBe('expired');
});
