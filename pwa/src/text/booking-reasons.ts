/** Says why a session is proposed, or none, from the codes of the unit. */
import type { BookingReason } from '../ports';
import { dayWords } from '../state/surveillance-dates';
import { clinic } from './clinic';
import { fieldWords } from './record';
import { inEnglish, lookUp, say, words } from './say';

const said = words('bookingReasons');
const { told: reasons } = said;
const needs = lookUp(said.needs);

type Values = BookingReason['values'];
const day = (values: Values, name = 'on') => dayWords(String(values[name] ?? ''));
const needed = (values: Values) => needs[String(values.needs)] ?? String(values.needs ?? '');
const count = (values: Values) => ({ days: Number(values.days ?? 0) });
const between = (values: Values) => ({
  from: day(values, 'from_on'),
  until: day(values, 'until_on'),
  needs: needed(values),
});
const elsewhere = ({ place }: Values) =>
  place ? ` ${say('bookingReasons.told.otherPlace', { place })}` : '';
const own = ({ where }: Values) => (where === 'own' ? ` ${reasons.ownPlaces}` : '');
const closed = ({ why }: Values) => clinic.closedBecause[String(why)] ?? clinic.closedBecause.other;

/** By the codes of `booking_reasons.py`. */
export const REASONS: Readonly<Record<string, (values: Values) => string>> = {
  kept: (one) => say('bookingReasons.told.kept', { on: day(one) }),
  'told-another-day': (one) => say('bookingReasons.told.toldAnotherDay', { on: day(one) }),
  moved: (one) => say('bookingReasons.told.moved', { on: day(one) }),
  'session-without-day': (one) => say('bookingReasons.told.sessionWithoutDay', { on: day(one) }),
  'session-closed': (one) =>
    say('bookingReasons.told.sessionClosed', { on: day(one), why: closed(one) ?? '' }),
  'session-unfit': (one) =>
    say('bookingReasons.told.sessionUnfit', { on: day(one), needs: needed(one) }),
  'session-full': (one) => say('bookingReasons.told.sessionFull', { on: day(one) }),
  'on-target': (one) =>
    say('bookingReasons.told.onTarget', {
      target: day(one, 'target_on'),
      needs: needed(one),
    }) + elsewhere(one),
  nearest: (one) =>
    say('bookingReasons.told.nearest', {
      target: day(one, 'target_on'),
      on: day(one),
      needs: needed(one),
    }) + elsewhere(one),
  'after-window': (one) => say('bookingReasons.told.afterWindow', count(one)),
  'before-window': (one) => say('bookingReasons.told.beforeWindow', count(one)),
  'window-later': (one) => say('bookingReasons.told.windowLater', { on: day(one) }),
  'all-full': (one) => say('bookingReasons.told.allFull', between(one)) + own(one),
  'none-in-window': (one) => say('bookingReasons.told.noneInWindow', between(one)) + own(one),
  'none-at-all': (one) => say('bookingReasons.told.noneAtAll', between(one)) + own(one),
  'two-answers': (one) =>
    say('bookingReasons.told.twoAnswers', { field: fieldWords(String(one.field), 'visit') }),
  'no-window': () => reasons.noWindow,
  'no-patient': () => reasons.noPatient,
  'not-to-contact': () => reasons.notToContact,
};

/**
 * Return why, in the language spoken now; the unit's own English sentence where it tells no codes
 * or one that is not known here.
 */
export function reasonWords(told: {
  because: string;
  reasons?: readonly BookingReason[] | undefined;
}): string {
  const found = (told.reasons ?? []).map(({ code, values }) => {
    const say = Object.hasOwn(REASONS, code) ? REASONS[code] : undefined;
    return say?.(values) ?? '';
  });
  const isWhole = found.length > 0 && found.every((one) => one !== '');
  return isWhole ? found.join(' ') : inEnglish(told.because);
}
