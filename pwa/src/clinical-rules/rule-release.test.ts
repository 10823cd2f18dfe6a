import { expect, test } from 'vitest';
import vectors from '../../../tests/conformance/rule_release/judge_release.json';
import { readPackagedRuleFiles } from './packaged-rule-files';
import { RuleBook } from './rule-book';
import { hashText, rowShape } from './rule-file';
import { type Approval, judgeRelease, type Release } from './rule-release';
import { text, wholeNumber } from './shapes';
import { findProtocol } from './step-protocol';

const NAME = 'sizing/limits';
const contents = readPackagedRuleFiles();
const sha256 = hashText(contents[`${NAME}.v1.json`] ?? '');
const readRow = rowShape({ item: text, amount: wholeNumber });
const by = (name: string, digest = sha256): Approval => ({
  by: name,
  name,
  role: 'endoscopist',
  sha256: digest,
  fromOn: '2026-03-01',
});
const release = (changes: Partial<Release>): Release => ({
  name: NAME,
  version: 1,
  sha256,
  retiredOn: null,
  approvals: [by('one'), by('two')],
  ...changes,
});
const book = (changes: Partial<Release>, isTraining = false) =>
  new RuleBook(contents, '2026-03-16', { releases: [release(changes)], isTraining });

test.each(vectors.cases)('$description', ({ given, expect: expected }) => {
  const { retired_on, approvals, ...rest } = given.release;
  const read = approvals.map(({ from_on, ...one }) => ({ ...one, fromOn: from_on }));
  const judged = { ...rest, retiredOn: retired_on, approvals: read };
  expect(judgeRelease(judged, given.on)).toEqual(expected);
});

test('[RL5] live, only what two people approved computes; in training every listed file does', () => {
  expect(book({}).ruleFile(NAME, readRow).version).toBe(1);
  expect(() => book({ approvals: [by('one')] }).ruleFile(NAME, readRow)).toThrow(
    'Rule file sizing/limits is not in force on 2026-03-16 (version 1: 1 of 2 people approved ' +
      'it). No number without it: two people approve it, one of them an endoscopist.',
  );
  expect(() => book({}).ruleFile('sizing/coil_counts', readRow)).toThrow('nobody has approved it');
  expect(book({ approvals: [] }, true).has('sizing/coil_counts')).toBe(true);
});

test('[RL7] the order of the steps is there without an approval', () => {
  const live = book({ approvals: [] });
  expect(live.has('step_protocols/coil_and_adhesive')).toBe(false);
  expect(live.ruleFileOrListed('sizing/limits', readRow).version).toBe(2);
});

test('[RL6] a pinned book holds exactly the bytes an answer names', () => {
  const pin = (digest: string) =>
    RuleBook.pinned(contents, [{ name: NAME, version: 1, sha256: digest }], '2026-03-16');
  expect(pin(sha256).ruleFile(NAME, readRow).sha256).toBe(sha256);
  expect(pin(sha256).has('sizing/coil_counts')).toBe(false);
  expect(() => pin('0'.repeat(64))).toThrow('sizing/limits.v1.json has other bytes here');
  expect(() =>
    RuleBook.pinned(contents, [{ name: NAME, version: 9, sha256 }], '2026-03-16'),
  ).toThrow('sizing/limits.v9.json is not held here');
});

test('[RL6] [HAZ-10] a case keeps the files it pinned while the book moves on', () => {
  const v2 = (contents[`${NAME}.v1.json`] ?? '').replace('"version": 1', '"version": 7');
  const withNext = { ...contents, [`${NAME}.v7.json`]: v2 };
  const releases = [release({ version: 7, sha256: hashText(v2), approvals: [] })];
  const moved = new RuleBook(withNext, '2026-03-16', { releases, isTraining: true });
  const pin = { name: NAME, version: 1, sha256 };
  expect(moved.ruleFile(NAME, readRow).version).toBe(7);
  expect(moved.pinnedTo([pin]).ruleFile(NAME, readRow).version).toBe(1);
  // Bytes that are not held here: the book in force, never a guess at the pinned one.
  expect(moved.pinnedTo([{ ...pin, sha256: '0'.repeat(64) }])).toBe(moved);
  expect(moved.pinnedTo([])).toBe(moved);
});

test('[HAZ-10] [UX-19] a live case goes on with version 1 of the steps, a new one has version 2', () => {
  const name = 'step_protocols/coil_and_adhesive';
  const book = new RuleBook(contents, '2026-03-16');
  const [now, before] = [
    findProtocol(book),
    findProtocol(book, {
      name,
      version: 1,
      sha256: hashText(contents[`${name}.v1.json`] ?? ''),
    }),
  ];
  expect([now.version, before.version]).toEqual([2, 1]);
  const gas = (rows: typeof now.rows) => rows.find(({ id }) => id === 'gas_out')?.ask;
  expect([gas(now.rows), gas(before.rows)]).toEqual(['Gas sucked out?', 'Is the gas sucked out?']);
  // The same steps in the same order, with the same answers, gates and sources.
  const rest = (rows: typeof now.rows) => rows.map(({ ask: _, detail: __, ...row }) => row);
  expect(rest(now.rows)).toEqual(rest(before.rows));
});

test('[RL6] a case goes on by the step protocol that it pinned', () => {
  const name = 'step_protocols/coil_and_adhesive';
  const v1 = contents[`${name}.v1.json`] ?? '';
  const next9 = v1.replace('"version": 1', '"version": 9');
  const withNext = { ...contents, [`${name}.v9.json`]: next9 };
  const next = { name, version: 9, sha256: hashText(next9), approvals: [] };
  const releases = [release(next)];
  const moved = new RuleBook(withNext, '2026-03-16', { releases, isTraining: true });
  expect(findProtocol(moved).version).toBe(9);
  expect(findProtocol(moved, { name, version: 1, sha256: hashText(v1) }).version).toBe(1);
  expect(findProtocol(moved, { name, version: 1, sha256: '0'.repeat(64) }).version).toBe(9);
});
