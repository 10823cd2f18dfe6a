/** A case as FHIR R4B: the shared vectors, run by `tests/unit/api/test_fhir_case.py` too. */
import { readFileSync } from 'node:fs';
import { expect, test } from 'vitest';
import { makeCaseBundle } from './fhir-case';

interface Case {
  description: string;
  given: unknown;
  expect: Record<string, unknown>;
}

const file = new URL('../../../tests/conformance/fhir/make_case_bundle.json', import.meta.url);
const { cases } = JSON.parse(readFileSync(file, 'utf8')) as { cases: Case[] };

const stepInto = (content: unknown, path: string): unknown =>
  path
    .split('.')
    .reduce(
      (inner: unknown, key) => (inner as Record<string, unknown> | undefined)?.[key],
      content,
    );

test.each(cases)('$description', ({ given, expect: wanted }) => {
  const bundle = makeCaseBundle(given);
  for (const [path, content] of Object.entries(wanted)) {
    expect(stepInto(bundle, path), path).toEqual(content);
  }
});
