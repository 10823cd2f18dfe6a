/** Sentences of the Cases screen, of a new case and of the identity check. */
import { fieldChoices, valueWords } from './record';
import { midSentence, say, withMore, words } from './say';

const said = words('cases');

export const cases = withMore(said, {
  showClosed: (count: number) => say('cases.showClosed', { count }),
  stage: (id: string) => valueWords(id, 'stage', 'case'),
  /** `?` while two answers stand, "" while there is none. */
  indication: (id: string) => {
    if (id === '?') return said.indicationTwo;
    return id === '' ? said.indicationOpen : valueWords(id, 'indication', 'case');
  },
});

export const newCase = withMore(words('newCase'), {
  mayBeCleared: (count: number) => say('newCase.mayBeCleared', { count }),
  missing: (names: readonly string[]) =>
    say('newCase.missing', { names: names.map(midSentence).join(', ') }),
  sexes: fieldChoices('patient', 'sex'),
});

export const identityWords = words('identityCheck');
