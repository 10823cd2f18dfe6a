/** Every sentence about moving a case to the person it belongs to. */
import type { Trait } from '../state/case-move';
import { fieldWords, valueWords } from './record';
import { reasons, say, withMore, words } from './say';

const said = words('caseMove');

export const caseMoveWords = withMore(said, {
  reasons: reasons('caseMove.reasons', said.reasons),
  more: (count: number) => say('caseMove.more', { count }),
  hold: (who: string) => say('caseMove.hold', { who }),
  trait: (trait: Trait) => fieldWords(trait, 'patient'),
  told: (trait: Trait, value: string) =>
    value === '' ? said.notEntered : valueWords(value, trait, 'patient'),
  /** What the record keeps: the reason, and who agreed; English, as every kept reason. */
  because: (reason: string, name: string, staff: string) =>
    `${reason}. Agreed by ${name} (${staff}).`,
});
