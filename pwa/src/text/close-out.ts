/** Sentences of the Close-out screen. */
import type { ItemCount, OpenPoint } from '../state/close-out';
import type { LotKind } from '../state/papers/case-lots';
import { fieldChoices, fieldWords, kindOf } from './record';
import { type Choice, choices, reasons, say, withMore, words } from './say';

const said = words('closeOut');

/** Whole numbers to choose from; each is its own id. */
function numbers(offered: readonly number[], name: (number: number) => string): Choice[] {
  return offered.map((number) => ({
    id: String(number),
    get words() {
      return name(number);
    },
  }));
}
const hours = (hours: number) => (hours === 0 ? said.mayEat : say('closeOut.hours', { hours }));

export const closeOut = withMore(said, {
  /** By names of fields, each once; what they say now stands on screen. */
  changedFields: (changed: readonly (readonly [record: string, field: string])[]) => {
    const names = changed.map(([record, field]) => fieldWords(field, kindOf(record)));
    const what = [...new Set(names)].join(', ');
    return what === '' ? said.changedUnseen : say('closeOut.changedWhat', { what });
  },
  tapperDoesNot: (name: string, role: string) => say('closeOut.tapperDoesNot', { name, role }),
  countLine: ({ item, opened, placed, discarded, used, returned }: ItemCount) => {
    const counts = { packages: said.packages[item], opened, discarded, returned };
    return item === 'coil'
      ? say('closeOut.coilLine', { ...counts, placed })
      : say('closeOut.itemLine', { ...counts, used });
  },
  countOff: ({ item, opened, placed, discarded, used, returned }: ItemCount) => {
    const counts = { packages: said.packages[item], opened, discarded, returned };
    return item === 'coil'
      ? say('closeOut.coilsOff', { ...counts, placed })
      : say('closeOut.itemsOff', { ...counts, used });
  },
  /** What the counts that do not agree come to, one sentence each. */
  whyOff: ({ open, withoutPackage, shared, difference }: ItemCount): string[] => [
    ...(open.length > 0 ? [say('closeOut.stillOpen', { count: open.length })] : []),
    ...(withoutPackage > 0 ? [say('closeOut.withoutPackage', { count: withoutPackage })] : []),
    ...(shared > 0 ? [say('closeOut.shared', { count: shared })] : []),
    ...(difference > open.length
      ? [say('closeOut.unaccounted', { count: difference - open.length })]
      : []),
    ...(difference < 0 ? [say('closeOut.tooMany', { count: -difference })] : []),
  ],
  /** Steps left out; that some were recorded after all is said besides. */
  leftOut: ({ count, later }: { count: number; later: number }) => {
    const left = say('closeOut.leftOut', { count });
    return later === 0 ? left : `${left} ${say('closeOut.leftOutLater', { count: later })}`;
  },
  /** Checks answered "not so": went on all the same. */
  notSo: (count: number) => say('closeOut.notSo', { count }),
  /** Implants of which somebody called the lot unknown, or nobody entered one, never as one. */
  lotsNotKnown: (kind: LotKind, why: 'unknown' | 'missing', count: number) => {
    const isUnknown = why === 'unknown';
    if (kind === 'coil_placed') {
      return say(isUnknown ? 'closeOut.coilLotsUnknown' : 'closeOut.coilLotsMissing', { count });
    }
    return say(isUnknown ? 'closeOut.injectionLotsUnknown' : 'closeOut.injectionLotsMissing', {
      count,
    });
  },
  returnAll: (count: number) => say('closeOut.returnAll', { count }),
  returnedAll: (count: number) => say('closeOut.returnedAll', { count }),
  lotOf: (lot: string) => say('closeOut.lotOf', { lot }),
  packageEnded: (pack: string, fate: string) => say('closeOut.packageEnded', { pack, fate }),
  table: withMore(said.table, {
    range: (from: number, to: number) => say('closeOut.table.range', { from, to }),
    afterEach: (amount: string) => say('closeOut.table.afterEach', { amount }),
    withoutAmount: (count: number) => say('closeOut.table.withoutAmount', { count }),
  }),
  because: (reason: string) => say('closeOut.because', { reason }),
  /** A gate whose row no rule file here holds, as of another version of the rules. */
  wordsNotHeld: (gate: string) => say('closeOut.wordsNotHeld', { gate }),
  passedBy: (who: string, second: string, at: string) =>
    second === ''
      ? say('closeOut.passedBy', { who, at })
      : say('closeOut.passedByTwo', { who, second, at }),
  fromLastDoppler: (at: string) =>
    at === '' ? said.fromLastDoppler : say('closeOut.fromLastDopplerAt', { at }),
  dopplerChoices: choices(said.dopplerChoices),
  yesNo: choices(said.yesNo),
  kinds: fieldChoices('complication', 'what').filter(({ id }) => id !== 'none'),
  addKind: (what: string) => say('closeOut.addKind', { what }),
  nilChoices: numbers([2, 4, 6, 12, 0], hours),
  until: (time: string) => say('closeOut.until', { time }),
  observationChoices: numbers([4, 6, 12, 24, 48], hours),
  antibioticChoices: numbers([0, 1, 3, 5, 7], (days) => say('closeOut.days', { days })),
  visits: (count: number, next: string) =>
    next === ''
      ? say('closeOut.visits', { count })
      : say('closeOut.visitsNext', { count, day: next }),
  noFollowUpReasons: reasons('closeOut.noFollowUpReasons', said.noFollowUpReasons),
  open: said.open satisfies Record<OpenPoint, string>,
  newer: (count: number) => say('closeOut.newer', { count }),
  signed: (who: string, at: string) => say('closeOut.signed', { who, at }),
  bodyWords: (what: string) => say('closeOut.bodyWords', { what }),
  undo: (act: string) => say('closeOut.undo', { act }),
});
