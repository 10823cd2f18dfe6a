/**
 * Reads the code on a device package: GS1 or HIBC. Nothing is repaired; the raw text is kept.
 * Twin of `device_label.py`.
 */
import { CalculationRefusedError } from './errors';
import { readGs1Label } from './gs1-label';
import { readGs1Line } from './gs1-line';
import { readHibcLabel } from './hibc-label';
import type { RuleBook } from './rule-book';
import { civilDate, shape, text } from './shapes';

const GS1_PREFIXES = [']d2', ']C1', ']Q3', ']e0', ']J1'];
const LONGEST = 500;
/** Said of a code that names no device; another code of the package may name it. */
export const NO_DEVICE = 'The code names no device. Scan the other code of the package too.';
/** Characters that count as one in one engine and as two in the other. */
const BEYOND_BMP = /[\u{10000}-\u{10FFFF}]/u;

const readRequest = shape({ scanned: text, today_on: civilDate });

/** What the code says; a field with a problem is null, `expired` is null without an expiry date. */
export interface DeviceLabelAnswer {
  symbology: 'gs1' | 'hibc';
  gtin?: string | null;
  hibc_identifier?: string | null;
  lot: string | null;
  serial: string | null;
  made_on: string | null;
  expires_on: string | null;
  expired: boolean | null;
  raw: string;
  problems: string[];
  rule_files: [];
}

/**
 * Return what the code on a package says of the device. Rules DL1-DL10.
 *
 * @param request - parsed JSON with the keys of `device-label` in RULES.md
 * @throws ShapeError for a wrong key or type; CalculationRefusedError when the text is neither a
 * GS1 nor an HIBC code
 */
export function answerDeviceLabel(request: unknown, _ruleBook: RuleBook): DeviceLabelAnswer {
  const { scanned, today_on: todayOn } = readRequest(request, '');
  return readDeviceLabel(scanned, todayOn);
}

/**
 * Return what `answerDeviceLabel` does, for a text that is already at hand.
 *
 * @throws CalculationRefusedError when the text is neither a GS1 nor an HIBC code
 */
export function readDeviceLabel(scanned: string, todayOn: string): DeviceLabelAnswer {
  const hasPrefix = scanned.startsWith(']');
  const prefix = hasPrefix ? scanned.slice(0, 3) : '';
  const content = scanned.slice(prefix.length);
  const isHibc = content.startsWith('+') && !GS1_PREFIXES.includes(prefix);
  const isLine = content.startsWith('(') && !hasPrefix;
  const isCode = /^[0-9]/.test(content) && (GS1_PREFIXES.includes(prefix) || !hasPrefix);
  if (scanned.length > LONGEST || BEYOND_BMP.test(scanned) || !(isHibc || isLine || isCode)) {
    const sentence =
      'This is no GS1 or HIBC code. Scan the code that names device, lot and expiry.';
    throw new CalculationRefusedError(sentence, {
      raw: scanned,
      problems: [sentence],
      rule_files: [],
    });
  }
  const read = isHibc ? readHibcLabel : isLine ? readGs1Line : readGs1Label;
  const fields = read(content, todayOn);
  const identifier = fields.get('identifier');
  if (identifier === null && fields.problems.length === 0) {
    fields.problems.push(NO_DEVICE);
  }
  const expiresOn = fields.get('expires_on');
  const madeOn = fields.get('made_on');
  const lastDay = expiresOn !== null && expiresOn < todayOn ? expiresOn : todayOn;
  if (madeOn !== null && madeOn > lastDay) {
    fields.problems.push(
      `The making date ${madeOn} lies after today or after the expiry date. Check ` +
        'the package.',
    );
  }
  return {
    symbology: isHibc ? 'hibc' : 'gs1',
    ...(isHibc ? { hibc_identifier: identifier } : { gtin: identifier }),
    lot: fields.get('lot'),
    serial: fields.get('serial'),
    made_on: madeOn,
    expires_on: expiresOn,
    expired: expiresOn === null ? null : expiresOn < todayOn,
    raw: scanned,
    problems: fields.problems,
    rule_files: [],
  };
}
