/** Sentences of the locked screen, of PINs, and of the people of a tablet. */
import type { KeyRefusal, PinAnswer } from '../ports';
import { say, withMore, words } from './say';
import { waitedText } from './tablet';
import { sayTold } from './told';

const two = (count: number) => String(count).padStart(2, '0');

/** Return a wait as minutes and seconds. */
function waitText(ms: number): string {
  const seconds = Math.max(0, Math.ceil(ms / 1_000));
  return `${Math.floor(seconds / 60)}:${two(seconds % 60)}`;
}

const said = words('lock');

export const lockWords = withMore(said, {
  unsent: (count: number | null, ageMs: number) =>
    count === null ? said.unsentUnknown : say('lock.unsent', { count, age: waitedText(ageMs) }),
  pinOf: (name: string) => say('lock.pinOf', { name }),
  digits: (count: number) => say('lock.digits', { count }),
  notHere: (name: string) => say('lock.notHere', { name }),
  whoVouches: (name: string) => say('lock.whoVouches', { name }),
  handOver: (name: string) => say('lock.handOver', { name }),
  handOverNote: (name: string) => say('lock.handOverNote', { name }),
  takeOver: (name: string) => say('lock.takeOver', { name }),
  chooseTitle: (name: string) => say('lock.chooseTitle', { name }),
  againTitle: (name: string) => say('lock.againTitle', { name }),
  otherAdded: (name: string) => say('lock.otherAdded', { name }),
  added: (name: string) => say('lock.added', { name }),
  changed: (name: string) => say('lock.changed', { name }),
  removeAsk: (name: string) => say('lock.removeAsk', { name }),
  removedNow: (name: string) => say('lock.removedNow', { name }),
  anewNote: (count: number | null) =>
    count === null ? said.anewUnknown : say('lock.anewNote', { count }),
  passed: (count: number) => say('lock.passed', { count }),
  failed: (why: string) => say('lock.failed', { why: sayTold(why) }),
  /**
   * What a try of a PIN came to, "" where it was right.
   *
   * @param others - how many other people could unlock the tablet now
   */
  answer: (answer: PinAnswer | KeyRefusal, name: string, nowMs: number, others = 0): string => {
    if (answer.kind === 'right') return '';
    if ('sentence' in answer) return sayTold(answer.sentence);
    if (answer.kind === 'removed') {
      return answer.isNobodyLeft ? said.removedAll : say('lock.removed', { name });
    }
    const waitMs = answer.waitUntilMs - nowMs;
    if (waitMs > 0) return say('lock.waiting', { name, time: waitText(waitMs), others });
    return answer.kind === 'wrong' ? say('lock.wrong', { name, left: answer.triesLeft }) : '';
  },
});
