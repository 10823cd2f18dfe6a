/** Says why the unit did not do what was asked of it: it is away, or it refused. */
import { readTold } from '../told';
import { sayTold } from './told';

/**
 * Return the remark for a question that was not answered.
 *
 * @param sentence - of the answer; "" on a device without a unit
 * @param needsUnit - that this needs the unit, for when it is away
 */
export function whyNot(sentence: string, needsUnit: string): { text: string; basis: string } {
  // What tells a code comes from the network or this device; any other is the unit's own refusal.
  const isAway = sentence === '' || readTold(sentence) !== null;
  return isAway
    ? { text: needsUnit, basis: sayTold(sentence) }
    : { text: sayTold(sentence), basis: '' };
}
