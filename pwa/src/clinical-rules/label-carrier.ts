/**
 * The identification of a device (UDI) as its own label carries it, or as far as it is known. Pure.
 * Twin of `label_carrier.py`, which names the sources.
 */
import { isCivilDate } from './civil-date';
import { type Element, isElement, isGtin, listElements } from './gs1-elements';
import { checkCharacter, isAllowed, readHibcLabel } from './hibc-label';
import { readShortDate } from './label-dates';

const PREFIX = /^\](?:d2|C1|Q3|e0|J1)/;
const ANY_PREFIX = /^\][A-Za-z][0-9]/;
const HIBC_IDENTIFIER = /^[A-Z][A-Z0-9]{4,21}[0-9]$/;
/** Where nothing tells the century of a date that is compared with nothing. */
const SOME_DAY = '2026-01-01';

interface Said {
  identifier: string;
  lot: string;
  serial: string;
  expiresOn: string;
}

/** What stands on a label, "" where no standard of identification is known. */
export interface Carrier {
  /** As people read it: field numbers in round brackets, or HIBC. */
  readonly readable: string;
  /** As a code holds it: field numbers in square brackets, which no content has, or HIBC. */
  readonly code: string;
}

/**
 * Return the carrier of a device (DL12).
 *
 * @param device - as records hold it: `lot`, `serial`, `expires_on`, `raw_label`
 * @param identifier - of the label, or of the item that it is of
 */
export function findCarrier(
  device: { readonly [part: string]: unknown },
  identifier: string,
): Carrier {
  const said: Said = {
    identifier,
    lot: textOf(device.lot),
    serial: textOf(device.serial),
    expiresOn: textOf(device.expires_on),
  };
  const codes = textOf(device.raw_label).split('\n');
  if (isGtin(identifier)) {
    const elements = fill(labelOf(codes, said), said);
    return { readable: bracket(elements, '(', ')'), code: bracket(elements, '[', ']') };
  }
  if (isHibc(identifier)) {
    const code = hibcOf(codes, said);
    return { readable: code.endsWith(' ') ? `${code.slice(0, -1)}_` : code, code };
  }
  return { readable: '', code: '' };
}

/** Say whether an identifier has the form of HIBC, as its reader keeps it: without `+`. */
export function isHibc(identifier: string): boolean {
  return HIBC_IDENTIFIER.test(identifier);
}

/**
 * Return the day on which a device was made, "" where its label does not say it.
 *
 * @param todayOn - decides the century: when the label was read; nothing is made after it
 */
export function findMakingDay({ code }: Carrier, todayOn: string): string {
  const short = /\[11\]([0-9]{6})/.exec(code)?.[1];
  const isGs1 = code.startsWith('[');
  const long = isGs1 || code === '' ? null : readHibcLabel(code, todayOn).get('made_on');
  const on = isGs1 && short !== undefined ? readShortDate(short, todayOn) : long;
  return on !== null && on <= todayOn ? on : '';
}

/**
 * Return the elements of the label, none where it is torn or is not what the record says: what
 * stands on the label and not in the record was in doubt where it was read.
 */
function labelOf(codes: readonly string[], said: Said): Element[] {
  const found = new Map<string, string>();
  for (const code of codes) {
    const content = code.replace(PREFIX, '');
    if (!/^[(0-9]/.test(content)) continue;
    const elements = listElements(content);
    if (elements === null) return [];
    for (const [number, held] of elements) {
      if ((found.get(number) ?? held) !== held) return [];
      found.set(number, held);
    }
  }
  const fields = { '10': said.lot, '21': said.serial, '17': said.expiresOn, '01': said.identifier };
  const isOfRecord = Object.entries(fields).every(([number, told]) => {
    const held = found.get(number);
    return held === undefined || isSaid(number, held, told);
  });
  return isOfRecord ? [...found] : [];
}

function isSaid(number: string, content: string, told: string): boolean {
  if (number !== '17') return content === told;
  return isCivilDate(told) && readShortDate(content, told) === told;
}

/** Return the elements with what the record knows besides; what no element can hold is not. */
function fill(elements: readonly Element[], said: Said): Element[] {
  const known = elements.map(([number]) => number);
  const on = said.expiresOn;
  const day = isCivilDate(on) ? `${on.slice(2, 4)}${on.slice(5, 7)}${on.slice(8)}` : '';
  const more: Element[] = [
    ['17', day],
    ['10', said.lot],
    ['21', said.serial],
  ];
  const first: Element[] = known.includes('01') ? [] : [['01', said.identifier]];
  const added = more.filter(([number, held]) => !known.includes(number) && isElement(number, held));
  return [...first, ...elements, ...added];
}

function bracket(elements: readonly Element[], open: string, close: string): string {
  return elements.map(([number, content]) => `${open}${number}${close}${content}`).join('');
}

/** Return the label as one code, the identifier alone where it is not what the record says. */
function hibcOf(codes: readonly string[], said: Said): string {
  const primary = `+${said.identifier}`;
  const link = checkCharacter(primary);
  const alone = `${primary}${link}`;
  const scanned = codes
    .map((one) => one.replace(ANY_PREFIX, ''))
    .filter((one) => one.startsWith('+'));
  const segments: string[] = [];
  for (const code of scanned) {
    if (!isAllowed(code) || checkCharacter(code.slice(0, -1)) !== code.at(-1)) return alone;
    const parts = code.slice(1, -1).split('/');
    const [first = ''] = parts;
    const last = parts.at(-1) ?? '';
    if (/^[A-Z]/.test(first)) {
      if (first !== said.identifier) return alone;
      segments.push(...parts.slice(1));
    } else if (last.slice(-1) === link) {
      // A secondary code on its own ends with the check character of its primary.
      segments.push(...parts.slice(0, -1), last.slice(0, -1));
    } else return alone;
  }
  const body = [primary, ...segments].join('/');
  const whole = `${body}${checkCharacter(body)}`;
  const read = readHibcLabel(whole, isCivilDate(said.expiresOn) ? said.expiresOn : SOME_DAY);
  const told = [
    [read.get('lot'), said.lot],
    [read.get('serial'), said.serial],
    [read.get('expires_on'), said.expiresOn],
  ] as const;
  const isOfRecord = told.every(([held, own]) => held === null || own === held);
  return isOfRecord ? whole : alone;
}

function textOf(value: unknown): string {
  return typeof value === 'string' ? value : '';
}
