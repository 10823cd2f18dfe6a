/**
 * What each condition of a gate finds in the facts, and the words for the places of its text.
 * Twin of `gate_conditions.py`.
 */
import { daysBetween } from './civil-date';
import type { FactName, Facts } from './gate-facts';

const MS_PER_HOUR = 3_600_000;

/** The facts with those that a condition needs all there. */
type With<K extends FactName> = Facts & Required<Pick<Facts, K>>;

/** What a condition found: what it is about, and the words for the places of the text. */
export interface Finding {
  readonly about: string;
  readonly places: Readonly<Record<string, string>>;
}

/**
 * A named condition of a row. `needs` are the facts without which nothing is raised, `uses` those
 * that only enter the text, `places` the names a text may hold, `limitUnit` the unit of the limit.
 */
export interface Condition {
  readonly needs: readonly FactName[];
  readonly uses: readonly FactName[];
  readonly places: readonly string[];
  readonly limitUnit: string | null;
  readonly find: (facts: Facts, limit: number) => Finding[];
}

/** Return a number of thousandths with its unit: 14 mm, 0.89 mm; never rounded (GT4). */
export function writeMilli(milli: number, unit: string): string {
  const rest = milli % 1_000;
  const fraction = String(rest).padStart(3, '0').replace(/0+$/, '');
  const digits = `${(milli - rest) / 1_000}${fraction === '' ? '' : `.${fraction}`}`;
  return unit === '' ? digits : `${digits} ${unit}`;
}

/** Return at most two names and how many more there are, so that the text stays short. */
function sayNames(all: readonly string[]): string {
  const shown = all.slice(0, 2);
  const more = all.length - 2;
  return more <= 0 ? shown.join(' and ') : `${shown.join(', ')} and ${more} more`;
}

function when(isRaised: boolean, about = '', places: Record<string, string> = {}): Finding[] {
  return isRaised ? [{ about, places }] : [];
}

function condition<K extends FactName>(
  needs: readonly K[],
  places: readonly string[],
  find: (facts: With<K>, limit: number) => Finding[],
  limitUnit: string | null = null,
  uses: readonly FactName[] = [],
): Condition {
  // Only called once all that it needs is there.
  return { needs, uses, places, limitUnit, find: find as Condition['find'] };
}

function listed(
  fact:
    | 'missing_inputs'
    | 'conflicts'
    | 'estimated_inputs'
    | 'unticked'
    | 'similar_names'
    | 'lots_missing',
): Condition {
  return condition([fact], ['names'], (facts) => {
    const all = facts[fact];
    return when(all.length > 0, all.join(', '), { names: sayNames(all) });
  });
}

function noBlood(wantsAdhesive: boolean): Condition {
  return condition(['blood_return'], [], ({ blood_return: returned }) =>
    when(!returned.seen && returned.wants_adhesive === wantsAdhesive),
  );
}

function expiry(isRaised: (daysLeft: number, limit: number) => boolean, limitUnit: string | null) {
  return condition(
    ['device_expires_on', 'today_on'],
    ['expires', 'today'],
    ({ device_expires_on: expires, today_on: today }, limit) =>
      when(isRaised(daysBetween(today, expires), limit), expires, { expires, today }),
    limitUnit,
  );
}

export const CONDITIONS: Readonly<Record<string, Condition>> = {
  identity_differs: condition(['identity_matches'], [], ({ identity_matches }) =>
    when(!identity_matches),
  ),
  inputs_missing: listed('missing_inputs'),
  plan_out_of_date: condition(
    ['plan_standing'],
    ['change'],
    ({ plan_standing, plan_changes = [] }) =>
      when(plan_standing === 'out-of-date', plan_changes.join('; '), {
        change: plan_changes.length > 0 ? ` (${plan_changes[0]})` : '',
      }),
    null,
    ['plan_changes'],
  ),
  session_above_limit: condition(
    ['pure_ul_given', 'pure_ul_next'],
    ['total', 'limit'],
    ({ pure_ul_given, pure_ul_next }, limit) => {
      const total = pure_ul_given + pure_ul_next;
      const places = { total: writeMilli(total, 'mL'), limit: writeMilli(limit, 'mL') };
      return when(total > limit, '', places);
    },
    'ul',
  ),
  injection_above_limit: condition(
    ['pure_ul_next'],
    ['next', 'limit'],
    ({ pure_ul_next: next }, limit) =>
      when(next > limit, '', { next: writeMilli(next, 'mL'), limit: writeMilli(limit, 'mL') }),
    'ul',
  ),
  stop_beyond_distance: condition(
    ['stop_um', 'measured_distance_um'],
    ['stop', 'distance'],
    ({ stop_um: stop, measured_distance_um: distance }) =>
      when(stop > distance, '', {
        stop: writeMilli(stop, 'mm'),
        distance: writeMilli(distance, 'mm'),
      }),
  ),
  answers_in_conflict: listed('conflicts'),
  protocol_not_signed: condition(
    ['protocol_standing'],
    ['standing'],
    ({ protocol_standing: standing }) => when(standing !== 'signed', standing, { standing }),
  ),
  counts_differ: condition(['counts'], ['item', 'opened', 'recorded'], ({ counts }) =>
    counts
      .filter(({ opened, recorded }) => opened !== recorded)
      .map(({ item, opened, recorded }) => ({
        about: item,
        places: {
          item: item.charAt(0).toUpperCase() + item.slice(1),
          opened: String(opened),
          recorded: String(recorded),
        },
      })),
  ),
  no_follow_up: condition(['follow_up_planned'], [], ({ follow_up_planned }) =>
    when(!follow_up_planned),
  ),
  no_blood_for_adhesive: noBlood(true),
  no_blood_for_coils: noBlood(false),
  value_outside_band: condition(
    ['values_outside_band'],
    ['name', 'amount', 'least', 'most'],
    ({ values_outside_band: values }) =>
      values
        .filter(({ milli, least_milli, most_milli }) => milli < least_milli || milli > most_milli)
        .map(({ name, unit, milli, least_milli, most_milli }) => ({
          about: name,
          places: {
            name,
            amount: writeMilli(milli, unit),
            least: writeMilli(least_milli, ''),
            most: writeMilli(most_milli, unit),
          },
        })),
  ),
  value_tenfold: condition(
    ['tenfold_values'],
    ['name', 'amount', 'last', 'limit'],
    ({ tenfold_values: values }, limit) =>
      values
        // After zero there is nothing to compare.
        .filter(
          ({ milli, last_milli: last }) =>
            last > 0 && (milli >= limit * last || milli * limit <= last),
        )
        .map(({ name, unit, milli, last_milli }) => ({
          about: name,
          places: {
            name,
            amount: writeMilli(milli, unit),
            last: writeMilli(last_milli, unit),
            limit: String(limit),
          },
        })),
    'times',
  ),
  inputs_estimated: listed('estimated_inputs'),
  items_unticked: listed('unticked'),
  coil_differs: condition(['coil_differs'], ['chosen', 'planned'], ({ coil_differs }) => {
    const { planned_loop_um: planned, chosen_loop_um: chosen } = coil_differs;
    const places = { chosen: writeMilli(chosen, 'mm'), planned: writeMilli(planned, 'mm') };
    return when(planned !== chosen, '', places);
  }),
  time_beyond_plan: condition(
    ['elapsed_ms', 'planned_ms'],
    ['elapsed', 'planned'],
    ({ elapsed_ms: elapsed, planned_ms: planned }) =>
      when(elapsed > planned, '', {
        elapsed: writeMilli(elapsed, 's'),
        planned: writeMilli(planned, 's'),
      }),
  ),
  unsent_too_long: condition(
    ['unsent_count', 'oldest_unsent_ms'],
    ['count', 'age', 'limit'],
    ({ unsent_count: count, oldest_unsent_ms: age }, limit) =>
      when(count > 0 && age >= limit * MS_PER_HOUR, '', {
        count: `${count} ${count === 1 ? 'entry' : 'entries'}`,
        age: `${(age - (age % MS_PER_HOUR)) / MS_PER_HOUR} h`,
        limit: `${limit} h`,
      }),
    'h',
  ),
  clock_off: condition(
    ['clock_offset_ms'],
    ['offset', 'limit'],
    ({ clock_offset_ms }, limit) => {
      const offset = Math.abs(clock_offset_ms);
      const places = { offset: writeMilli(offset, 's'), limit: `${limit} s` };
      return when(offset > limit * 1_000, '', places);
    },
    's',
  ),
  storage_not_kept: condition(['storage_persistent'], [], ({ storage_persistent }) =>
    when(!storage_persistent),
  ),
  battery_low: condition(
    ['battery_per_cent', 'charging'],
    ['battery', 'limit'],
    ({ battery_per_cent: left, charging }, limit) =>
      when(left < limit && !charging, '', { battery: `${left} %`, limit: `${limit} %` }),
    '%',
  ),
  similar_name: listed('similar_names'),
  device_expires_soon: expiry((left, limit) => left >= 0 && left <= limit, 'days'),
  device_expired: expiry((left) => left < 0, null),
  lots_missing: listed('lots_missing'),
  device_recalled: condition(
    ['device_recalls'],
    ['name', 'reason'],
    ({ device_recalls: recalls }) =>
      recalls.map(({ name, reason }) => ({ about: name, places: { name, reason } })),
  ),
  serial_opened_before: condition(
    ['serial_opened_before'],
    ['serial'],
    ({ serial_opened_before: serial }) => when(serial !== '', serial, { serial }),
  ),
  lot_of_other_item: condition(
    ['lot_known_as'],
    ['lot', 'names', 'chosen'],
    ({ lot_known_as: { lot, chosen, items } }) => {
      const isOther = items.length > 0 && items.every(({ stock }) => stock !== chosen.stock);
      const names = sayNames(items.map(({ name }) => name));
      return when(isOther, lot, { lot, names, chosen: chosen.name });
    },
  ),
  more_opened_than_delivered: condition(
    ['lot_count'],
    ['lot', 'delivered', 'opened'],
    ({ lot_count: { lot, delivered, opened } }) =>
      when(opened > delivered, lot, { lot, delivered: String(delivered), opened: String(opened) }),
  ),
};
