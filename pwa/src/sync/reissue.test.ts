/** Bodies written again, by the shared vectors, and what the pointer may weigh. */
import { readFileSync } from 'node:fs';
import { describe, expect, test } from 'vitest';
import { MalformedOperationError } from './errors';
import { MAX_BODY_BYTES, readBody } from './operation';
import { writeAgain } from './reissue';

const REFERENCE = 'tablet-a.ep01.7#0123456789abcdef';

describe('operation/write_again.json', () => {
  const file = new URL('../../../tests/conformance/operation/write_again.json', import.meta.url);
  const { cases } = JSON.parse(readFileSync(file, 'utf8')) as {
    cases: { description: string; given: { body: string; reference: string }; expect: string }[];
  };
  for (const { description, given, expect: wanted } of cases) {
    test(description, () => expect(writeAgain(given.body, given.reference)).toBe(wanted));
  }
});

function bodyOf(length: number): string {
  const head = `{"salt":"${'0'.repeat(32)}","by":"staff/a","tapped_by":"staff/a","catalogue":1,"set":{"f":"`;
  return `${head}${'x'.repeat(length - head.length - 3)}"}}`;
}

/** The planted bug it has caught: the longest bodies could not be written again. */
test.each([-1, 0, 1])('[OP8] the pointer does not count: %i bytes past the bound', (over) => {
  const body = bodyOf(MAX_BODY_BYTES + over);
  const again = `${body.slice(0, -1)},"again":"${REFERENCE}"}`;
  if (over > 0) {
    for (const text of [body, again]) expect(() => readBody(text)).toThrow(MalformedOperationError);
    return;
  }
  expect(writeAgain(body, REFERENCE)).toBe(again);
  expect(readBody(again).again).toBe(REFERENCE);
});

test.each(['tablet-a.ep01.7', 'x'.repeat(80), 'tablet-a.ep01.0#0123456789abcdef'])(
  '[OP8] a pointer that is no reference is refused: %s',
  (again) => {
    expect(() => readBody(`${bodyOf(300).slice(0, -1)},"again":"${again}"}`)).toThrow(/reference/);
  },
);
