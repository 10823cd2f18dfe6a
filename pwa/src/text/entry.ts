/** Sentences of fields and pads, wherever they stand; of remarks; and of who taps. */
import { lookUp, say, withMore, words } from './say';

export const entry = withMore(words('entry'), {
  notEnteredIn: (unit: string) => say('entry.notEnteredIn', { unit }),
  startsAt: (words: string, amount: string) => say('entry.startsAt', { words, amount }),
  was: (amount: string) => say('entry.was', { amount }),
  enter: (unit: string) => say('entry.enter', { unit }),
  atMost: (places: number) => say('entry.atMost', { places }),
  tooLarge: (largest: string) => say('entry.tooLarge', { largest }),
  less: (name: string) => say('entry.less', { name }),
  more: (name: string) => say('entry.more', { name }),
});

export const remarkLevels = words('remarks');

const said = words('people');
export const people = withMore(said, { roles: lookUp(said.roles) });
