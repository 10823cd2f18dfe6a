/**
 * The lay-out list of a planned case as the record tells it: one request of `lay-out`. Pure.
 * Twin of `api/use_cases/lay_out_case.py`.
 */
import { type LayOutAnswer, makeLayOutList } from '../clinical-rules/lay-out-list';
import type { RuleBook } from '../clinical-rules/rule-book';
import type { StockAnswer } from '../clinical-rules/stock-counts';
import { savedPlanOf } from './plan';
import { type Json, listOf, type RecordState, structureOf, textOf } from './shown';

/** A package discarded has to be replaced on the table. */
const ON_THE_TABLE: readonly string[] = ['open', 'placed', 'used'];

type Parts = { readonly [part: string]: unknown };

/** What the list is made from. */
export interface LayOutRecords {
  itself: RecordState | null;
  /** Those opened in the case. */
  packages: readonly RecordState[];
  items: readonly RecordState[];
  sites: readonly RecordState[];
  shelf: Pick<StockAnswer, 'items'>;
}

/**
 * Return what to lay out for a case; null where no plan is in use.
 *
 * @throws ClinicalRuleError when the rule file of the shelf is not in force
 */
export function layOutCase(held: LayOutRecords, ruleBook: RuleBook): LayOutAnswer | null {
  const request = layOutRequest(held);
  return request === null ? null : makeLayOutList(request, ruleBook);
}

/** Return the request of `lay-out`; what the plan does not say is left out. */
export function layOutRequest(held: LayOutRecords): Record<string, Json> | null {
  const plan = savedPlanOf(held.itself);
  if (plan === null) return null;
  const adhesive = partsOf(plan.answer.adhesive);
  const planned = partsOf(plan.request.adhesive);
  const needle = structureOf(held.itself, 'needle');
  const { targets } = plan.answer;
  return {
    targets: (Array.isArray(targets) ? (targets as unknown[]) : []).flatMap((target) => {
      const sized = partsOf(target);
      if (sized === null) return [];
      return [{ label: String(sized.label ?? ''), picks: textsOf(partsOf(sized.coils)?.picks) }];
    }),
    shelf: held.shelf.items.flatMap((counted) => {
      const item = held.items.find(({ record }) => record === counted.stock_id);
      return item === undefined ? [] : [shelfItem(counted, item)];
    }),
    ...(needle === null ? {} : { needle: needleOf(needle) }),
    ...(adhesive === null || planned === null
      ? {}
      : {
          adhesive: {
            agent: textIn(planned, 'agent'),
            ...amountsIn(adhesive, 'pure_ul', 'mix_ul'),
          },
        }),
    ...(adhesive === null
      ? {}
      : { flush: { media: textsOf(adhesive.flush_media), ...amountsIn(adhesive, 'flush_ul') } }),
    laid_out: held.packages.filter(isOnTheTable).map((one) => textOf(one, 'stock_id')),
    own_lines: held.sites
      .filter((site) => !site.isEnteredInError)
      .flatMap((site) => textsOf(listOf(site, 'lay_out_lines'))),
  };
}

/** Say whether a package opened in the case stands for one of its list: laid out, or used since. */
export function isOnTheTable(opened: RecordState): boolean {
  return !opened.isEnteredInError && ON_THE_TABLE.includes(textOf(opened, 'fate'));
}

function shelfItem(counted: StockAnswer['items'][number], item: RecordState): Record<string, Json> {
  const adhesive = structureOf(item, 'adhesive');
  const ampouleUl = adhesive?.ampoule_ul;
  return {
    id: item.record,
    item: counted.item,
    name: textOf(item, 'name') || item.record,
    lots: [
      ...counted.lots.map(({ lot, on_shelf, standing, expires_on }) => ({
        lot,
        on_shelf,
        standing,
        ...(expires_on === null ? {} : { expires_on }),
      })),
      // Without a lot and left lying (SK20); an older answer of the unit says none.
      ...(counted.remarks ?? [])
        .filter(({ kind }) => kind === 'recalled' || kind === 'expired')
        .map(({ kind, count }) => ({ on_shelf: count, standing: kind })),
    ],
    on_shelf: counted.on_shelf,
    usable: counted.usable,
    ...(typeof adhesive?.agent === 'string' ? { agent: adhesive.agent } : {}),
    ...(typeof ampouleUl === 'number' && ampouleUl > 0 ? { ampoule_ul: ampouleUl } : {}),
  };
}

/** The item that was chosen, the gauge where the needle was only described. */
function needleOf(needle: Parts): string {
  return textIn(needle, 'stock_id') || `Needle ${needle.gauge ?? ''} G`;
}

function partsOf(content: unknown): Parts | null {
  return typeof content === 'object' && content !== null && !Array.isArray(content)
    ? (content as Parts)
    : null;
}

function textIn(parts: Parts, part: string): string {
  const held = parts[part];
  return typeof held === 'string' ? held : '';
}

function textsOf(content: unknown): string[] {
  return Array.isArray(content) ? content.filter((one) => typeof one === 'string') : [];
}

function amountsIn(parts: Parts, ...names: readonly string[]): Record<string, number> {
  return Object.fromEntries(
    names.flatMap((name): [string, number][] => {
      const held = parts[name];
      return typeof held === 'number' ? [[name, held]] : [];
    }),
  );
}
