/**
 * Class of gastric varices by place and continuity, and of their size by the short axis.
 * Twin of `varix_class.py`.
 */
import { boundKeys, findBand, refuseBandFaults } from './bands';
import { ShapeError } from './errors';
import { exact, over } from './measures';
import { nameRuleFiles, type RuleBook } from './rule-book';
import { type Basis, pathOf, rowShape } from './rule-file';
import { flag, listOf, naturalNumber, shape, text } from './shapes';

export const SITES = ['lesser-curve', 'fundus', 'body', 'antrum', 'duodenum'] as const;
export const CLASSES = ['GOV1', 'GOV2', 'GOV1+GOV2', 'IGV1', 'IGV2', 'unclassified'] as const;
export type VarixClass = (typeof CLASSES)[number];

const SIZE_CLASSES = 'varix_class/size_classes';
const UM_PER_MM = exact(1000);

const readSizeRow = rowShape({ size: text }, boundKeys);
const readRequest = shape(
  {},
  { is_continuous: flag, sites: listOf(text), short_axis_um: naturalNumber },
);

interface Origin {
  basis: Basis | null;
  source: string | null;
}

export interface VarixClassAnswer {
  varix_class: VarixClass;
  size_class: string | { missing: string[] };
  basis: { varix_class: Origin; size_class?: Origin };
  inputs: { varix_class: string[]; size_class?: string[] };
  rule_files: ReturnType<typeof nameRuleFiles>;
}

/**
 * Return class and size class of a varix. Rules VC1-VC6.
 *
 * @param request - parsed JSON, all of it optional: `is_continuous` (null: not seen), `sites` and
 * `short_axis_um`
 * @throws ShapeError when a key or type is wrong, or a site is not among `SITES`
 */
export function answerVarixClass(request: unknown, ruleBook: RuleBook): VarixClassAnswer {
  const read = readRequest(request, '');
  const seen = (['is_continuous', 'sites'] as const).filter((key) => read[key] !== undefined);
  const answer: VarixClassAnswer = {
    varix_class: classifyVarix(read.is_continuous ?? null, read.sites ?? []),
    size_class: { missing: ['short_axis_um'] },
    basis: {
      varix_class: {
        basis: 'published',
        source: 'Sarin 1992, Hepatology 16:1343-9, as tabulated by Singh 2021',
      },
    },
    inputs: { varix_class: seen },
    rule_files: [],
  };
  if (read.short_axis_um === undefined) return answer;
  const { sizes, row } = findSize(read.short_axis_um, ruleBook);
  return {
    ...answer,
    size_class: row.size,
    basis: {
      ...answer.basis,
      size_class: { basis: row.basis ?? null, source: row.source ?? null },
    },
    inputs: { ...answer.inputs, size_class: ['short_axis_um'] },
    rule_files: nameRuleFiles(sizes),
  };
}

/**
 * Return small, medium or large (VC4, VC5): derived whenever it is shown, never stored.
 *
 * @param shortAxisUm - short axis in micrometres
 * @throws RuleFileError when no version is in force, or its bands leave a gap or overlap
 */
export function findSizeClass(shortAxisUm: number, ruleBook: RuleBook): string {
  return findSize(shortAxisUm, ruleBook).row.size;
}

function findSize(shortAxisUm: number, ruleBook: RuleBook) {
  const sizes = ruleBook.ruleFile(SIZE_CLASSES, readSizeRow);
  refuseBandFaults(pathOf(sizes), 'the short axis', sizes.rows);
  return { sizes, row: findBand(sizes.rows, over(exact(shortAxisUm), UM_PER_MM)) };
}

/**
 * Return the class (VC1-VC3); what does not fit is never forced into one.
 *
 * Source: Sarin 1992, Hepatology 16:1343-9, as tabulated by Singh 2021, J Dig Endosc 12:24-30.
 *
 * @param isContinuous - whether the varices go on from those of the oesophagus; null when not seen
 * @param sites - where they lie, among `SITES`; the fundus includes the greater curve toward it
 * @throws ShapeError when a site is not among `SITES`
 */
export function classifyVarix(isContinuous: boolean | null, sites: readonly string[]): VarixClass {
  const known: readonly string[] = SITES;
  for (const site of sites) {
    if (!known.includes(site)) {
      throw new ShapeError(`${site} is no site. Take one of ${SITES.join(', ')}.`);
    }
  }
  if (isContinuous === null || sites.length === 0) return 'unclassified';
  const inFundus = sites.includes('fundus');
  const onLesserCurve = sites.includes('lesser-curve');
  const isElsewhere = sites.some((site) => site !== 'fundus' && site !== 'lesser-curve');
  if (isContinuous) {
    if (isElsewhere) return 'unclassified';
    if (inFundus && onLesserCurve) return 'GOV1+GOV2';
    return inFundus ? 'GOV2' : 'GOV1';
  }
  if (onLesserCurve || (inFundus && isElsewhere)) return 'unclassified';
  return inFundus ? 'IGV1' : 'IGV2';
}
