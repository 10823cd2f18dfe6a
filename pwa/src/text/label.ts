/** Sentences of reading the label of a package, and of entering a lot afterwards. */
import { lookUp, say, withMore, words } from './say';

const said = words('label');
const fields = lookUp(said.fields);

export const labelWords = withMore(said, {
  differ: (field: string) => say('label.differ', { field: fields[field] ?? field }),
  tooLong: (field: string, most: number) =>
    say('label.tooLong', { field: fields[field] ?? field, most }),
  saysUnknown: (field: string, typed: string) =>
    say('label.saysUnknown', { field: fields[field] ?? field, typed }),
  otherItem: (found: string) => say('label.otherItem', { found }),
  wrongCheckDigit: (typed: string) => say('label.wrongCheckDigit', { typed }),
  expired: (on: string) => say('label.expired', { on }),
  missing: (what: string) => say('label.missing', { what }),
  entered: (what: string, lot: string) => say('label.entered', { what, lot }),
});
