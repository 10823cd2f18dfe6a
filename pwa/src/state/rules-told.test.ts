import { expect, test } from 'vitest';
import type { Json } from '../ports';
import { digestInForce, keepRulesTold, versionsInForce } from './rules-told';
import { openRuleBook, readUnitRules } from './unit-rules';

const RULES = readUnitRules([], []);

/** Twin of the same case in `tests/unit/api/test_device_standing.py`: both write this very text. */
test('the digest of versions in force', () => {
  const versions = { 'sizing/limits': 2, 'gates/hard': 11, 'follow_up/default': 1001 };

  expect(digestInForce(versions)).toBe('9b4dbf6f6a4dc80b');
  expect(digestInForce({ ...versions, 'sizing/limits': 1 })).not.toBe(digestInForce(versions));
});

test('each rule file that is held stands there once, by the version that counts on the day', () => {
  const book = openRuleBook(RULES, '2026-09-21');
  const versions = versionsInForce(RULES.contents, book);

  expect(versions['sizing/limits']).toBe(book.versionOf('sizing/limits'));
  expect(versions).not.toHaveProperty('in_force');
  expect(Object.keys(versions).length).toBeGreaterThan(20);
});

/** Has caught a planted bug: laid down anew at each start, each of which wrote to the disk. */
test('what is laid down already is not written again, another day is', async () => {
  const written: Json[] = [];
  const store = {
    recall: async () => written.at(-1) ?? null,
    remember: async (_: string, content: Json) => void written.push(content),
  };
  const keep = (on: string) => keepRulesTold(store, RULES.contents, openRuleBook(RULES, on));

  await keep('2026-09-21');
  await keep('2026-09-21');
  await keep('2026-09-22');

  expect(written.map((one) => (one as { on: string }).on)).toEqual(['2026-09-21', '2026-09-22']);
});
