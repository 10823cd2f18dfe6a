/** Sentences of the lay-out list. */
import type { LayOutLine, LayOutRemark, LotToTake } from '../clinical-rules/lay-out-list';
import { mlText } from '../state/plan';
import { adhesiveWords } from './plan';
import { lookUp, say, withMore, words } from './say';

const said = words('layOut');
const remarks = lookUp(said.remarks);

/** What a line is called: the name on the unit's list, else words of the language spoken. */
function whatWords(line: LayOutLine, media: readonly string[]): string {
  if (line.item === 'oil') return said.oil;
  if (line.item === 'flush') {
    const named = media.map((medium) => adhesiveWords.media[medium] ?? medium);
    if (named.length === 0) return line.what;
    const all = named.reduce((one, other) => say('layOut.anyOf', { one, other }));
    return say('layOut.flush', { media: all });
  }
  if (line.stock_id !== null) return line.what;
  const gauge = /^Needle (\d+) G$/.exec(line.what)?.[1];
  if (gauge !== undefined) return say('layOut.needle', { gauge });
  return adhesiveWords.agents.find(({ id }) => id === line.what)?.words ?? line.what;
}

export const layOutWords = withMore(said, {
  /** @param media - of the plan's flush */
  what: whatWords,
  needed: ({ needed, spare }: LayOutLine) =>
    needed === null ? say('layOut.unknown', { spare }) : say('layOut.needed', { needed, spare }),
  laidOut: (count: number) => say('layOut.laidOut', { count }),
  onShelf: (count: number) => say('layOut.onShelf', { count }),
  take: ({ lot, take: count }: LotToTake) =>
    lot === null ? say('layOut.takeUnknown', { count }) : say('layOut.take', { lot, count }),
  useBy: (on: string) => say('layOut.useBy', { on }),
  short: ({ short, short_of_needed: needed }: LayOutLine) =>
    needed > 0
      ? say('layOut.short', { count: short, needed })
      : say('layOut.spareShort', { count: short }),
  pressCount: (count: number) => say('layOut.pressCount', { count }),
  done: (what: string, count: number) => say('layOut.done', { what, count }),
  targets: (line: LayOutLine) =>
    line.targets.map(({ label, count }) => say('layOut.targets', { label, count })).join(', '),
  amount: ({ item, amount_ul: ul }: LayOutLine) => {
    if (ul === null) return '';
    const amount = mlText(ul);
    if (item === 'flush') return say('layOut.flushAmount', { amount });
    return item === 'oil' ? say('layOut.oilAmount', { amount }) : say('layOut.amount', { amount });
  },
  remark: ({ kind, lot, count }: LayOutRemark) => {
    if (kind === 'expired' && lot === null)
      return say('layOut.remarks.expired-without-lot', { count });
    if (kind === 'recalled' && lot === null)
      return say('layOut.remarks.recalled-without-lot', { count });
    if (kind === 'expired') return say('layOut.remarks.expired', { lot: lot ?? '' });
    if (kind === 'recalled') return say('layOut.remarks.recalled', { lot: lot ?? '' });
    if (kind === 'expiry-unknown') return say('layOut.remarks.expiry-unknown', { lot: lot ?? '' });
    return remarks[kind] ?? kind;
  },
});
