/** Sentences of the place Stock. */
import type { DoublePackage, LotOfItem, ShelfRemark } from '../clinical-rules/stock-counts';
import type { CountedBy } from '../state/stock.svelte';
import { choices, lookUp, say, withMore, words } from './say';

const said = words('stock');
const counted: Readonly<Record<Exclude<CountedBy, 'here'>, string>> = said.countedBy;
const standings = lookUp(said.standings);

/** A number of packages that came or left, with its sign. */
function changeWords(change: number): string {
  if (change === 0) return said.unchanged;
  return change > 0 ? `+${change}` : `−${-change}`;
}

/** What the counts of an item alone do not say. */
function remarkWords({ kind, lot, count }: ShelfRemark, name: string): string {
  if (kind === 'not-counted') return said.remarks['not-counted'];
  if (kind === 'lot-not-delivered') return say('stock.remarks.lot-not-delivered', { count });
  if (kind === 'two-expiries') return say('stock.remarks.two-expiries', { lot: lot ?? '' });
  if (kind === 'recalled') return say('stock.remarks.recalled', { count });
  if (kind === 'expired') return say('stock.remarks.expired', { count });
  const what = lot === null ? name : say('stock.lot', { lot });
  return say('stock.remarks.below-zero', { what, count });
}

export const stockWords = withMore(said, {
  countedBy: (by: CountedBy) => (by === 'here' ? '' : counted[by]),
  standing: (id: string) => standings[id] ?? id,
  order: (name: string, usable: number, below: number) =>
    say('stock.order', { name, usable, below }),
  recalled: (name: string, { lot, on_shelf: count }: LotOfItem) =>
    say('stock.recalled', { name, lot, count }),
  expired: (name: string, on: string, { lot, on_shelf: count }: LotOfItem) =>
    say('stock.expired', { name, on, lot, count }),
  nearExpiry: (name: string, on: string, { lot, on_shelf: count }: LotOfItem) =>
    say('stock.nearExpiry', { name, on, lot, count }),
  double: ({ serial, packages }: DoublePackage) =>
    say('stock.double', { serial, count: packages.length }),
  unlisted: (count: number) => say('stock.unlisted', { count }),
  packages: (count: number | null) =>
    count === null ? said.notCounted : say('stock.packages', { count }),
  usable: (count: number) => say('stock.usable', { count }),
  below: (count: number | null) => (count === null ? said.noBelow : say('stock.below', { count })),
  remark: remarkWords,
  /** With the name of the item before it. */
  remarkOf: (remark: ShelfRemark, name: string) =>
    say('stock.named', { name, what: remarkWords(remark, name) }),
  lot: (lot: string | null) => (lot === null ? said.withoutLot : say('stock.lot', { lot })),
  useBy: (on: string | null) => (on === null ? said.noUseBy : say('stock.useBy', { on })),
  openName: (name: string) => say('stock.openName', { name }),
  deliverTitle: (name: string) => say('stock.deliverTitle', { name }),
  addPress: (count: number) => say('stock.addPress', { count }),
  delivered: (name: string, count: number) => say('stock.delivered', { name, count }),
  remember: (identifier: string, name: string) => say('stock.remember', { identifier, name }),
  remembered: (identifier: string, name: string) => say('stock.remembered', { identifier, name }),
  correctName: (what: string) => say('stock.correctName', { what }),
  correctTitle: (what: string) => say('stock.correctTitle', { what }),
  reasonChoices: choices(said.reasons),
  itemAdded: (name: string) => say('stock.itemAdded', { name }),
  planCount: (count: number) =>
    count === 0 ? said.planCountNone : say('stock.planCount', { count }),
  takeOver: (count: number) => say('stock.takeOver', { count }),
  planDiffers: (name: string, count: number, usable: number) =>
    say('stock.planDiffers', { name, count, usable }),
  asExpected: (count: number) => say('stock.asExpected', { count }),
  changePress: (change: number) => say('stock.changePress', { change: changeWords(change) }),
  changed: (name: string, what: string, change: number) =>
    say('stock.changed', { name, what, change: changeWords(change) }),
  setReorder: (name: string, count: number) => say('stock.setReorder', { name, count }),
  changedField: (name: string, field: string) => say('stock.changedField', { name, field }),
  forgetName: (identifier: string) => say('stock.forgetName', { identifier }),
  basis: (days: number, basis: string) => say('stock.basis', { days, basis }),
  mrChoices: choices(said.mrConditions),
  kindChoices: choices(said.kinds),
});
