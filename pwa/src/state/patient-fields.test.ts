import { expect, test } from 'vitest';
import { languageWords, patientText } from '../text/patient';
import { answerIds, linesOf, placesOf } from './patient-fields';
import { blankState, withFields } from './record-state';

const record = (id: string, fields: Parameters<typeof withFields>[1]) =>
  withFields(blankState(id), fields);

/** Has caught a planted bug: lines that were not trimmed, a carriage return kept for the letter. */
test('an address is kept as its lines, without blanks around and between them', () => {
  expect(linesOf('  1 Invented Row \r\n\r\n Nowhere\n')).toBe('1 Invented Row\nNowhere');
  expect(linesOf(' \n ')).toBe('');
});

/** Has caught a planted bug: a place that no session has any more was not offered, and looked lost. */
test('[FU-04] a person is nearest to a place as the sessions write it, or to one entered before', () => {
  const session = (id: string, place: string) => record(`clinic_session/${id}`, { place });
  const struck = { ...session('c', 'Closed room'), isEnteredInError: true };
  const patient = record('patient/p', { home_place: 'Old house' });

  expect(placesOf([session('a', 'Room 4'), session('b', 'Room 4'), struck], null)).toEqual([
    'Room 4',
  ]);
  expect(placesOf([session('a', 'Room 4')], patient)).toEqual(['Old house', 'Room 4']);
});

/** Has caught a planted bug: what nobody answered was shown as "may be contacted". */
test('[HAZ-45] yes, no and nothing are three answers', () => {
  const ids = ['barred', 'free'] as const;
  const answered = (held: boolean) => record('patient/p', { do_not_contact: held });

  expect(answerIds(answered(true), 'do_not_contact', ids)).toEqual(['barred']);
  expect(answerIds(answered(false), 'do_not_contact', ids)).toEqual(['free']);
  expect(answerIds(record('patient/p', {}), 'do_not_contact', ids)).toEqual([]);
});

test('a letter language is kept as its tag and shown by its own name', () => {
  expect(patientText.letterLanguages.map(({ id, words }) => [id, words])).toEqual([
    ['en', 'English'],
    ['de', 'Deutsch'],
    ['es', 'Español'],
  ]);
  expect([languageWords('de'), languageWords('fr')]).toEqual(['Deutsch', 'fr']);
});
