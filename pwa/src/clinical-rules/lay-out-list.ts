/**
 * What a planned case needs on the table: how many, how many spare, and which lots to take.
 * Twin of `lay_out_list.py`.
 */
import { type LayOutRead, readLayOut, type ShelfItemRead } from './lay-out-request';
import { nameRuleFiles, type RuleBook } from './rule-book';
import type { Basis } from './rule-file';
import { limitsOf, readLimitRow } from './sizing-limits';
import { refuseDoubles } from './sizing-request';
import { type LotStanding, STOCK, UNUSABLE } from './stock-counts';

const SPARES = {
  needle: 'spare_needles',
  coil: 'spare_coils_a_size',
  adhesive: 'spare_ampoules',
} as const;
const MEDIA = {
  saline: 'saline',
  'sterile-water': 'sterile water',
  'dextrose-5': 'dextrose 5 %',
} as const;

export type StockedItem = keyof typeof SPARES;

export interface LotToTake {
  /** Null for packages whose lot nobody knows. */
  lot: string | null;
  expires_on: string | null;
  take: number;
}

export interface LayOutRemark {
  kind: LotStanding | 'not-listed' | 'not-counted' | 'amount-unknown';
  lot: string | null;
  count: number;
}

/** One line of the list; counts in packages, amounts in microlitres. */
export interface LayOutLine {
  item: StockedItem | 'oil' | 'flush' | 'own';
  what: string;
  stock_id: string | null;
  needed: number | null;
  spare: number;
  laid_out: number;
  on_shelf: number | null;
  lots: LotToTake[];
  short: number;
  short_of_needed: number;
  amount_ul: number | null;
  targets: { label: string; count: number }[];
  remarks: LayOutRemark[];
}

export interface LayOutAnswer {
  lines: LayOutLine[];
  is_short: boolean;
  basis: Record<string, { basis: Basis | null; source: string | null }>;
  rule_files: ReturnType<typeof nameRuleFiles>;
}

/**
 * Return what to lay out for a planned case, line by line. Rules SK12-SK17.
 *
 * @param request - parsed JSON with the keys of `lay-out` in RULES.md
 * @throws ShapeError for a wrong key or type, or an item that stands twice on the shelf
 * @throws RuleFileError when the rule file lacks a row
 */
export function makeLayOutList(request: unknown, ruleBook: RuleBook): LayOutAnswer {
  const read = readLayOut(request, '');
  const file = ruleBook.ruleFileOrListed(STOCK, readLimitRow);
  refuseDoubles(
    read.shelf.map(({ id }) => id),
    'shelf',
    'id',
  );
  const limitOf = limitsOf(file);
  const lines = [
    ...needleLines(read, limitOf(SPARES.needle)),
    ...coilLines(read, limitOf(SPARES.coil)),
    ...adhesiveLines(read, limitOf(SPARES.adhesive)),
    ...flushLines(read),
    ...(read.own_lines ?? []).map((line) => bareLine('own', line, null)),
  ];
  const standing = (name: string) => {
    const row = file.rows.find(({ item }) => item === name);
    return { basis: row?.basis ?? null, source: row?.source ?? null };
  };
  return {
    lines,
    is_short: lines.some(({ short }) => short > 0),
    basis: Object.fromEntries(Object.values(SPARES).map((name) => [name, standing(name)])),
    rule_files: nameRuleFiles(file),
  };
}

function needleLines(read: LayOutRead, spare: number): LayOutLine[] {
  return read.needle === undefined ? [] : [stockLine(read, 'needle', read.needle, 1, spare)];
}

/** A line for each size planned, in the order of the plan (SK12). */
function coilLines(read: LayOutRead, spare: number): LayOutLine[] {
  const planned = read.targets.flatMap(({ label, picks }) =>
    picks.map((pick) => ({ pick, label })),
  );
  return [...new Set(planned.map(({ pick }) => pick))].map((id) => {
    const labels = planned.filter(({ pick }) => pick === id).map(({ label }) => label);
    const targets = [...new Set(labels)].map((label) => ({
      label,
      count: labels.filter((one) => one === label).length,
    }));
    return { ...stockLine(read, 'coil', id, labels.length, spare), targets };
  });
}

/** Ampoules to cover the adhesive (pure) that is planned, and the oil (SK15). */
function adhesiveLines(read: LayOutRead, spare: number): LayOutLine[] {
  const { adhesive } = read;
  if (adhesive === undefined) return [];
  const { agent, pure_ul: pureUl = null, mix_ul: mixUl = null } = adhesive;
  const lines = read.shelf
    .filter((item) => item.agent === agent)
    .map((item) => stockLine(read, 'adhesive', item.id, ampoules(item, pureUl), spare));
  const line =
    lines.find(({ laid_out }) => laid_out > 0) ??
    lines.find(({ short }) => short === 0) ??
    lines[0] ??
    stockLine(read, 'adhesive', agent, null, spare);
  if (line.needed === null) line.remarks.push({ kind: 'amount-unknown', lot: null, count: 0 });
  line.amount_ul = pureUl;
  if (pureUl === null || mixUl === null || mixUl <= pureUl) return [line];
  return [line, bareLine('oil', 'Oil for the mix', mixUl - pureUl)];
}

/** How many ampoules hold the amount; null where either is not known. */
function ampoules({ ampoule_ul }: ShelfItemRead, pureUl: number | null): number | null {
  return pureUl === null || ampoule_ul === undefined ? null : Math.ceil(pureUl / ampoule_ul);
}

/** The media of the plan, never another, and what one flush takes (SK16). */
function flushLines({ flush }: LayOutRead): LayOutLine[] {
  if (flush === undefined) return [];
  const media = flush.media.map((medium) => MEDIA[medium]).join(' or ');
  return [bareLine('flush', `Flush: ${media}`, flush.flush_ul ?? null)];
}

/** A line that no package of the shelf answers. */
function bareLine(item: LayOutLine['item'], what: string, amountUl: number | null): LayOutLine {
  return {
    item,
    what,
    stock_id: null,
    needed: null,
    spare: 0,
    laid_out: 0,
    on_shelf: null,
    lots: [],
    short: 0,
    short_of_needed: 0,
    amount_ul: amountUl,
    targets: [],
    remarks: [],
  };
}

/** A line of packages: how many, which lots, how many are missing (SK12-SK14). */
function stockLine(
  read: LayOutRead,
  item: StockedItem,
  id: string,
  needed: number | null,
  spare: number,
): LayOutLine {
  const found = read.shelf.find((one) => one.id === id);
  const laidOut = (read.laid_out ?? []).filter((one) => one === id).length;
  const wanted = Math.max(0, (needed ?? 0) + spare - laidOut);
  const taken = Math.min(wanted, Math.max(0, found?.usable ?? 0));
  return {
    item,
    what: found?.name ?? id,
    stock_id: found?.id ?? null,
    needed,
    spare,
    laid_out: laidOut,
    on_shelf: found?.on_shelf ?? null,
    lots: found === undefined ? [] : takeLots(found.lots, taken),
    short: wanted - taken,
    short_of_needed: Math.max(0, (needed ?? 0) - laidOut - taken),
    amount_ul: null,
    targets: [],
    remarks: remarksOf(found),
  };
}

/**
 * Which lots to take: the oldest use-by date first, an unknown one last (SK13). Packages whose lot
 * nobody knows come behind all others.
 */
function takeLots(lots: ShelfItemRead['lots'], count: number): LotToTake[] {
  const takes: LotToTake[] = [];
  let left = count;
  for (const { lot = null, expires_on: expiresOn = null, on_shelf: onShelf, standing } of lots) {
    if (UNUSABLE.includes(standing)) continue;
    const take = Math.min(left, Math.max(0, onShelf));
    if (take > 0) takes.push({ lot, expires_on: expiresOn, take });
    left -= take;
  }
  if (left > 0) takes.push({ lot: null, expires_on: null, take: left });
  return takes;
}

function remarksOf(found: ShelfItemRead | undefined): LayOutRemark[] {
  if (found === undefined) return [{ kind: 'not-listed', lot: null, count: 0 }];
  if (found.on_shelf === undefined) return [{ kind: 'not-counted', lot: null, count: 0 }];
  const told: readonly LotStanding[] = [...UNUSABLE, 'expiry-unknown'];
  return found.lots
    .filter(({ standing, on_shelf }) => told.includes(standing) && on_shelf > 0)
    .map(({ standing, lot = null, on_shelf }) => ({ kind: standing, lot, count: on_shelf }));
}
