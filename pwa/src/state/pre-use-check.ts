/**
 * The check of this tablet before it is used at the bedside: one row a thing, what it is, how it
 * stands, and what to do (HAZ-18, HAZ-19, HAZ-27, HAZ-36, HAZ-37). Pure.
 */
import type { ExchangeStanding } from '../ports';
import { checkWords as words } from '../text/tablet';
import { sayTold } from '../text/told';
import type { UpdateStanding } from './app-update.svelte';
import type { Loudness } from './cue-tones';
import type { BatteryReading, Installing } from './device-facts.svelte';
import type { LearnedKeys } from './pedal-keys';
import type { NotedCheck } from './tablet-settings';

/** Room that a day of cases with pictures fits in; project default (HAZ-37). */
export const LEAST_FREE_BYTES = 200_000_000;

/** `look`: a person has to do or to know something. `untold`: the browser does not say. */
export type CheckStanding = 'good' | 'look' | 'untold';

/** What a row offers to press. */
export type CheckAct = 'persist' | 'sound' | 'pedal' | 'install' | 'exchange' | 'update';

export interface CheckRow {
  id: string;
  what: string;
  standing: CheckStanding;
  state: string;
  /** What to do; "" where there is nothing. */
  todo: string;
  act?: CheckAct;
}

export interface CheckInputs {
  isPersisted: boolean | null;
  /** The browser was asked here and did not promise. */
  isPersistenceRefused?: boolean;
  freeBytes: number | null | undefined;
  /** What was written for the check was read back; null while under way. */
  storeReadsBack: boolean | null;
  hasKey: boolean | null;
  hasJoined: boolean;
  loudness: Loudness;
  /** A test sound was given since the place was opened, and whether the browser let it through. */
  soundTest: 'not-yet' | 'played' | 'mute';
  keys: LearnedKeys;
  /** Name of the last pedal key pressed here, "" before. */
  pedalKey: string;
  canKeepScreenOn: boolean;
  battery: BatteryReading | null | undefined;
  exchange: ExchangeStanding;
  nowMs: number;
  build: string;
  strangers: readonly string[];
  update: UpdateStanding;
  installing: Installing;
  /** Soft remarks of the rule files that stand, by id. */
  remarks: Readonly<Record<string, string>>;
}

/** Return the rows, always all of them and in the same order. */
export function checkRows(inputs: CheckInputs): CheckRow[] {
  return [
    storageRow(inputs),
    roomRow(inputs.freeBytes),
    storeRow(inputs),
    keyRow(inputs),
    soundRow(inputs),
    pedalRow(inputs),
    screenRow(inputs.canKeepScreenOn),
    batteryRow(inputs),
    clockRow(inputs),
    exchangeRow(inputs),
    buildRow(inputs),
    installRow(inputs.installing),
  ];
}

/** Return how many rows ask a person for something. */
export function openPoints(rows: readonly CheckRow[]): number {
  return rows.filter(({ standing }) => standing === 'look').length;
}

/** Say whether the check was noted on this civil date. */
export function isCheckedOn(check: NotedCheck | null, today: string): boolean {
  return check?.on === today;
}

type Row = Omit<CheckRow, 'id' | 'what'>;
const row = (id: keyof typeof words.what, rest: Row): CheckRow => ({
  id,
  what: words.what[id],
  ...rest,
});
const good = (state: string): Row => ({ standing: 'good', state, todo: '' });
const look = (state: string, todo: string, act?: CheckAct): Row => ({
  standing: 'look',
  state,
  todo,
  ...(act && { act }),
});
const untold = (state: string, todo: string): Row => ({ standing: 'untold', state, todo });

function storageRow({ isPersisted, isPersistenceRefused, remarks }: CheckInputs): CheckRow {
  if (isPersisted === null) return row('storage', untold(words.notTold, words.exchangeOften));
  return row(
    'storage',
    isPersisted
      ? good(words.kept)
      : look(
          isPersistenceRefused ? words.notPromised : words.mayBeCleared,
          remarks['SOFT-09'] ?? words.exchangeOften,
          'persist',
        ),
  );
}

function roomRow(free: number | null | undefined): CheckRow {
  if (typeof free !== 'number') return row('room', untold(words.notTold, words.lookAtRoom));
  const state = words.free(Math.floor(free / 1_000_000));
  return row('room', free >= LEAST_FREE_BYTES ? good(state) : look(state, words.makeRoom));
}

function storeRow({ storeReadsBack }: CheckInputs): CheckRow {
  if (storeReadsBack === null) return row('store', untold(words.underWay, ''));
  return row(
    'store',
    storeReadsBack ? good(words.readsBack) : look(words.notReadBack, words.useAnother),
  );
}

function keyRow({ hasKey, hasJoined }: CheckInputs): CheckRow {
  if (hasKey === null) return row('key', untold(words.underWay, ''));
  if (hasKey) return row('key', good(words.present));
  return row('key', look(words.missing, hasJoined ? words.joinAgain : words.otherBrowser));
}

function soundRow({ loudness, soundTest }: CheckInputs): CheckRow {
  if (loudness === 'off') return row('sound', good(words.soundOff));
  if (soundTest === 'played') return row('sound', { ...good(words.played), act: 'sound' });
  return row(
    'sound',
    soundTest === 'mute'
      ? look(words.mute, words.unmute, 'sound')
      : look(words.notTried, words.trySound, 'sound'),
  );
}

function pedalRow({ pedalKey, keys }: CheckInputs): CheckRow {
  if (pedalKey !== '') return row('pedal', { ...good(words.heard(pedalKey)), act: 'pedal' });
  const learned = keys.primary.length + keys.back.length;
  const state = learned === 0 ? words.notTried : words.learnedKeys(learned);
  return row('pedal', { standing: 'untold', state, todo: words.tryPedal, act: 'pedal' });
}

function screenRow(canKeepScreenOn: boolean): CheckRow {
  return row(
    'screen',
    canKeepScreenOn
      ? untold(words.keptOnAtBedside, words.lockOff)
      : look(words.cannotKeepOn, words.lockOff),
  );
}

function batteryRow({ battery, remarks }: CheckInputs): CheckRow {
  if (!battery) return row('battery', untold(words.notTold, words.lookAtBattery));
  const state = words.battery(battery.perCent, battery.isCharging);
  const remark = remarks['SOFT-10'];
  return row('battery', remark === undefined ? good(state) : look(state, remark));
}

function clockRow({ exchange, remarks }: CheckInputs): CheckRow {
  const { clockOffsetMs } = exchange;
  if (typeof clockOffsetMs !== 'number')
    return row('clock', untold(words.notAsked, words.exchange));
  const seconds = Math.round(Math.abs(clockOffsetMs) / 1_000);
  const state = words.offset(seconds);
  const remark = remarks['SOFT-08'];
  return row('clock', remark === undefined ? good(state) : look(state, remark));
}

function exchangeRow({ exchange, nowMs, hasJoined, remarks }: CheckInputs): CheckRow {
  if (!hasJoined) return row('exchange', look(words.atNoUnit, words.joinUnit));
  const { lastDoneMs, unsent } = exchange;
  const sentence = sayTold(exchange.sentence);
  if (lastDoneMs === null) {
    return row('exchange', look(words.notSinceStart, sentence || words.exchange, 'exchange'));
  }
  const minutes = Math.max(0, Math.floor((nowMs - lastDoneMs) / 60_000));
  const state = words.exchanged(minutes, unsent);
  const trouble = sentence || remarks['SOFT-07'];
  return row(
    'exchange',
    trouble ? look(state, trouble, 'exchange') : { ...good(state), act: 'exchange' },
  );
}

function buildRow({ build, strangers, update }: CheckInputs): CheckRow {
  const state = words.build(build);
  if (strangers.length > 0) return row('build', look(state, words.mixedBuilds));
  switch (update) {
    case 'none':
      return row('build', good(state));
    case 'waits-for-case':
      return row('build', { ...good(state), todo: words.updateAfterCase });
    case 'waits-for-saving':
      return row('build', look(state, words.updateAfterSaving));
    case 'ready':
      return row('build', look(state, words.updateReady, 'update'));
  }
}

function installRow(installing: Installing): CheckRow {
  switch (installing) {
    case 'installed':
      return row('installed', good(words.installed));
    case 'can-ask':
      return row('installed', look(words.notInstalled, words.installNow, 'install'));
    case 'by-hand':
      return row('installed', look(words.notInstalled, words.installByHand));
    case 'not-offered':
      return row('installed', look(words.notInstalled, words.installElsewhere));
  }
}
