/**
 * Value cautions, first bleed, size class and the inputs of every answer: the shared vectors, run
 * by `tests/unit/api/test_path_vectors.py` too. Each key of `expect` is a path into the answer.
 */
import { readFileSync } from 'node:fs';
import { describe, expect, test } from 'vitest';
import { calculate } from './calculate';
import { ClinicalRuleError } from './errors';
import { answerFirstBleed } from './first-bleed';
import { answerImplantSearch } from './implant-search';
import { answerIntendedUse } from './intended-use';
import { makeLayOutList } from './lay-out-list';
import { countPackages } from './package-counts';
import { packagedRuleBook } from './packaged-rule-files';
import { answerPictureLength } from './picture-length';
import type { RuleBook } from './rule-book';
import { answerSessionPlaces } from './session-places';
import { countStock } from './stock-counts';
import { answerValueCautions } from './value-cautions';
import { answerVarixClass } from './varix-class';
import { lookAtVisit, takeVisitAct } from './visit-course';

interface Case {
  description: string;
  given: { kind: string; request: unknown };
  expect: Record<string, unknown>;
}

const ruleBook = packagedRuleBook('2026-11-25');
const INNER: Readonly<Record<string, (request: unknown, book: RuleBook) => object>> = {
  'value-cautions': answerValueCautions,
  'first-bleed': answerFirstBleed,
  'varix-class': answerVarixClass,
  'picture-length': answerPictureLength,
  'visit-act': takeVisitAct,
  'visit-outlook': lookAtVisit,
  'session-places': answerSessionPlaces,
  'implant-search': answerImplantSearch,
  'intended-use': answerIntendedUse,
  'stock-counts': countStock,
  'lay-out': makeLayOutList,
  'package-counts': countPackages,
};

function stepInto(answer: unknown, path: string): unknown {
  return path.split('.').reduce((inner: unknown, key) => {
    if (Array.isArray(inner)) {
      return inner.find((one) => (one as { visit?: string }).visit === key) ?? inner[Number(key)];
    }
    return (inner as Record<string, unknown>)[key];
  }, answer);
}

describe.each([
  'value_cautions/answer_value_cautions.json',
  'varix_risk/answer_first_bleed.json',
  'varix_class/answer_varix_class.json',
  'inputs/name_inputs.json',
  'picture_length/answer_picture_length.json',
  'visit_course/take_visit_act.json',
  'visit_course/look_at_visit.json',
  'intended_use/answer_intended_use.json',
  'stock/count_stock.json',
  'stock/make_lay_out_list.json',
  'stock/count_packages.json',
  'lots/answer_implant_search.json',
])('%s', (path) => {
  const file = new URL(`../../../tests/conformance/${path}`, import.meta.url);
  const { cases } = JSON.parse(readFileSync(file, 'utf8')) as { cases: Case[] };
  test('holds cases', () => expect(cases.length).toBeGreaterThan(0));
  test.each(cases)('$description', ({ given: { kind, request }, expect: wanted }) => {
    const engine = INNER[kind];
    const answer = () =>
      engine === undefined ? calculate(kind, request, ruleBook) : engine(request, ruleBook);
    if (typeof wanted.refused === 'string') {
      expect(answer).toThrowError(ClinicalRuleError);
      expect(answer).toThrowError(wanted.refused);
      return;
    }
    const found = answer();
    for (const [at, content] of Object.entries(wanted)) {
      if (at !== 'cautions.ids') expect(stepInto(found, at), at).toEqual(content);
      else {
        const cautions = (found as { cautions: { id: string }[] }).cautions;
        expect(cautions.map(({ id }) => id)).toEqual(expect.arrayContaining(content as string[]));
      }
    }
  });
});
