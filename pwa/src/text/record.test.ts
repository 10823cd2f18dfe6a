/** Names of every field and answer that a record can hold, in the words of the catalogue. */

import { afterEach, expect, test } from 'vitest';
import catalogue from '$catalogue/catalogue.json';
import { speak } from '../state/language.svelte';
import { written } from './messages/written';
import { fieldChoices, fieldWords, kept, kindOf, valueWords } from './record';
import { retell } from './say';

interface Field {
  id: string;
  type: string;
  values?: string[];
  fields?: Field[];
}
// What units tell the hub is written by servers, and no screen shows it field by field.
const KINDS: { id: string; fields: Field[] }[] = catalogue.kinds.filter(
  ({ stream }) => stream !== 'registry',
);
interface Named {
  fields: Record<string, Record<string, string>>;
  parts: Record<string, string>;
  values: Record<string, Record<string, Record<string, string>>>;
  partValues: Record<string, Record<string, string>>;
}
const { record: english } = written('en').messages as unknown as { record: Named };
const all = KINDS.flatMap(({ id: kind, fields }) => fields.map((field) => ({ kind, field })));
const parts = all.flatMap(({ field }) => field.fields ?? []);

afterEach(() => speak('en'));

/** Caught a planted bug: `visit.act_on`, new in version 5, without a name. */
test('every field of the catalogue of the record has a name, and each part of a structure', () => {
  const nameless = all.filter(
    ({ kind, field: { id } }) => !english.fields[kind]?.[id] && !english.fields.any?.[id],
  );
  expect(all.length).toBeGreaterThan(130);
  expect(nameless).toEqual([]);
  expect(parts.filter(({ id }) => !english.parts[id])).toEqual([]);
  expect(parts.length).toBeGreaterThan(50);
});

/** Caught a planted bug: the answer "case-retracted" of a visit that ended, without words. */
test('every answer that a choice or list of the catalogue offers has words', () => {
  const wordless = all.flatMap(({ kind, field: { id, values = [] } }) =>
    values
      .filter((value) => !english.values[kind]?.[id]?.[value] && !english.values.any?.[id]?.[value])
      .map((value) => `${kind}.${id}: ${value}`),
  );
  const ofParts = parts.flatMap(({ id, values = [] }) =>
    values.filter((value) => !english.partValues[id]?.[value]).map((value) => `${id}: ${value}`),
  );
  expect(wordless).toEqual([]);
  expect(ofParts).toEqual([]);
  expect(all.flatMap(({ field }) => field.values ?? []).length).toBeGreaterThan(100);
});

test('each name and each answer is of a field that the catalogue of the record has', () => {
  const fieldsOf = (kind: string) => KINDS.find(({ id }) => id === kind)?.fields ?? [];
  const unknown = Object.entries(english.fields).flatMap(([kind, names]) =>
    Object.keys(names)
      .filter((id) =>
        kind === 'any'
          ? all.filter(({ field }) => field.id === id).length < 2
          : !fieldsOf(kind).some((field) => field.id === id),
      )
      .map((id) => `${kind}.${id}`),
  );
  const answers = Object.entries(english.values).flatMap(([kind, fields]) =>
    Object.entries(fields).flatMap(([id, values]) =>
      Object.keys(values)
        .filter((value) => {
          const found = kind === 'any' ? all.map(({ field }) => field) : fieldsOf(kind);
          return !found.some((field) => field.id === id && field.values?.includes(value));
        })
        .map((value) => `${kind}.${id}: ${value}`),
    ),
  );
  expect(unknown).toEqual([]);
  expect(answers).toEqual([]);
});

test('a field is named by its kind, an answer by its field', () => {
  expect(fieldWords('on', 'visit_result')).toBe('Day');
  expect(fieldWords('target', 'puncture')).toBe('Target');
  expect(fieldWords('target_on')).toBe('Target');
  expect(valueWords('none', 'shunt', 'case')).toBe('None seen');
  expect(valueWords('none', 'ascites', 'case')).toBe('None');
  expect(valueWords(['interpreter', 'fasting'], 'needs', 'patient')).toBe('Interpreter, Fasting');
  expect(valueWords({ choice: 'intubation', decided_with: 'A. Wren' }, 'airway', 'case')).toBe(
    'Choice: Intubation · Decided with: A. Wren',
  );
  expect(valueWords([], 'needs', 'patient')).toBe('none');
  expect(fieldChoices('patient', 'sex').map(({ id }) => id)).toEqual(['female', 'male']);
  expect(kindOf('case/c-1')).toBe('case');
});

test('what no catalogue knows is shown as it was written', () => {
  expect(fieldWords('constructor', 'constructor')).toBe('Constructor');
  expect(fieldWords('newer_field_um', 'case')).toBe('Newer field');
  expect(valueWords('constructor', 'sex', 'patient')).toBe('constructor');
  expect(valueWords('Otterby', 'family_name', 'patient')).toBe('Otterby');
});

test('[HAZ-50] names and kept reasons are said in the language spoken, the record in English', async () => {
  expect(retell(kept.undone)).toBe('undone on screen');
  await speak('en-XA');
  expect(kept.undone).toBe('undone on screen');
  expect(retell(kept.undone)).toMatch(/^⟦.*⟧$/);
  expect(retell('Asked the patient')).toMatch(/^⟦.*⟧$/);
  expect(retell('Free text of a person')).toBe('Free text of a person');
  expect(fieldWords('sex', 'patient')).toMatch(/^⟦.*⟧$/);
  expect(valueWords('acute-bleed', 'indication', 'case')).toMatch(/^⟦.*⟧$/);
});
