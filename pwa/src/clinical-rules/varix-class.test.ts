/** Class of gastric varices answers to the vectors that both engines read. */
import { readFileSync } from 'node:fs';
import { expect, test } from 'vitest';
import { ShapeError } from './errors';
import { classifyVarix } from './varix-class';

interface Case {
  description: string;
  given: { is_continuous: boolean | null; sites: string[] };
  expect: string | { refused: string };
}

const file = new URL('../../../tests/conformance/varix_class/classify_varix.json', import.meta.url);
const { cases } = JSON.parse(readFileSync(file, 'utf8')) as { cases: Case[] };

test.each(cases)('$description', ({ given, expect: wanted }) => {
  const classify = () => classifyVarix(given.is_continuous, given.sites);
  if (typeof wanted === 'string') expect(classify()).toBe(wanted);
  else {
    expect(classify).toThrowError(ShapeError);
    expect(classify).toThrowError(wanted.refused);
  }
});
