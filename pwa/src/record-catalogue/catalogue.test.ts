import { expect, test } from 'vitest';
import { CatalogueError, readCatalogue } from './catalogue';
import { packagedCatalogue } from './packaged-catalogue';

const kind = (more: object = {}, field: object = {}) => ({
  version: 1,
  kinds: [
    {
      id: 'case',
      meaning: 'One case.',
      stream: 'care',
      since: 1,
      fields: [{ id: 'patient', type: 'reference', merge: 'ask_a_person', since: 1, ...field }],
      ...more,
    },
  ],
});

test('the packaged catalogue names stream, parent and policies', () => {
  const catalogue = packagedCatalogue();

  expect(catalogue.streamOf('coil_placed')).toBe('care');
  expect(catalogue.parentFieldOf('coil_placed')).toBe('case');
  expect(catalogue.policiesOf('coil_placed').device?.merge).toBe('keep_all');
  expect(catalogue.policiesOf('case').stage?.rank.at(-1)).toBe('closed');
});

test('[MG8] a kind of a newer version has no stream and no policies', () => {
  expect(packagedCatalogue().streamOf('kind_of_next_year')).toBeNull();
  expect(packagedCatalogue().policiesOf('kind_of_next_year')).toEqual({});
});

test.each([
  ['an unknown key', kind({ colour: 'red' })],
  ['an unknown key of a field', kind({}, { colour: 'red' })],
  ['a parent that is no field', kind({ parent: 'clinic' })],
  ['a rank without furthest', kind({}, { rank: ['a'] })],
  ['furthest without a rank', kind({}, { merge: 'furthest' })],
  ['an unknown policy', kind({}, { merge: 'whatever' })],
  ['a doubled kind', { version: 1, kinds: [kind().kinds[0], kind().kinds[0]] }],
  ['no version', { kinds: [] }],
])('a catalogue with %s is refused', (_, content) => {
  expect(() => readCatalogue(content)).toThrow(CatalogueError);
});

test('the catalogue these refusals are made from is itself taken', () => {
  expect(readCatalogue(kind()).kinds.size).toBe(1);
});
