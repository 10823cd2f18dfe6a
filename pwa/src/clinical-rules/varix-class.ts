/**
 * Class of gastric varices, from where they lie and whether they go on from the oesophagus.
 * Twin of `varix_class.py`.
 */
import { ShapeError } from './errors';

export const SITES = ['lesser-curve', 'fundus', 'body', 'antrum', 'duodenum'] as const;
export type VarixClass = 'GOV1' | 'GOV2' | 'GOV1+GOV2' | 'IGV1' | 'IGV2' | 'unclassified';

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
