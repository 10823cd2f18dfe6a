/**
 * Coils and adhesive as FHIR R4B Device: what was left in the patient, by label. Pure.
 *
 * Twin of `api/documents/fhir_devices.py`. Elements: HL7 FHIR 4.3.0, Device. Adhesive and mix are
 * never one number (HAZ-04): the mix has an amount, its parts stand beside it.
 */
import {
  amount,
  clean,
  concept,
  notes,
  type Resource,
  refer,
  type Told,
  writeBase64,
  writeInstant,
} from './fhir-parts';
import { type Carrier, findCarrier, findMakingDay, isHibc } from './label-carrier';
import { opaqueId } from './opaque-id';

const ITEM: Readonly<Record<string, string>> = {
  coil_placed: 'coil',
  adhesive_injected: 'adhesive',
};
export const DEVICE_KINDS: readonly string[] = Object.keys(ITEM);
const COIL = [
  ['loop_um', 'loop diameter'],
  ['wire_um', 'wire diameter'],
  ['length_um', 'length'],
] as const;
const GS1 = 'http://hl7.org/fhir/NamingSystem/gs1-di';
/** As the definition of Device.udiCarrier.issuer has it, its large letter included. */
const HIBC = 'http://hl7.org/fhir/NamingSystem/hibcc-dI';
const GTIN = /^[0-9]{14}$/;
const READ = ['case', 'target', 'coil', 'amount', 'device'];
const UNUSED = ['open', 'returned'];
const LENT = 'The label is that of the package that was opened.';

/**
 * Return an implant as Device; one that was struck keeps its id and nothing else.
 *
 * @param patient - record of the patient, "" where none is shown
 * @param packages - packages opened in the case: one lends its label to an implant that has none
 * (FH8)
 */
export function writeDevice(
  itself: Told,
  patient: string,
  packages: readonly Told[] = [],
): Resource {
  const base = {
    resourceType: 'Device',
    id: opaqueId(itself.record),
    status: itself.isStruck ? 'entered-in-error' : 'active',
  };
  const subject = patient === '' ? {} : { patient: refer(patient) };
  const type = concept('package_opened.item', ITEM[itself.kind] ?? '');
  if (itself.isStruck) return { ...base, type, ...subject };
  const lender = hasLabel(itself) ? undefined : findLender(itself, packages);
  const told = lender === undefined ? itself : itself.borrow('device', lender);
  return {
    ...udi(told),
    ...base,
    ...label(told),
    type,
    ...properties(told),
    ...subject,
    ...notes([lender === undefined ? '' : LENT, ...lotNote(told), ...told.doubts(READ)]),
  };
}

function hasLabel(told: Told): boolean {
  return told.hasDoubt('device') || Object.keys(told.parts('device')).length > 0;
}

/**
 * Return the package that a coil names; of adhesive one of those used, if all bear one label. What
 * only lay ready or went back unopened was not injected.
 */
function findLender(told: Told, packages: readonly Told[]): Told | undefined {
  const isOf =
    told.kind === 'coil_placed'
      ? (one: Told) => one.record === told.shown('package')
      : (one: Told) =>
          one.shown('item') === 'adhesive' && !UNUSED.some((fate) => one.shown('fate') === fate);
  const standing = packages.filter((one) => isOf(one) && !one.isStruck);
  const [first] = standing;
  const isOneLabel = new Set(standing.map((one) => one.canonical('device'))).size === 1;
  return isOneLabel && first !== undefined && hasLabel(first) ? first : undefined;
}

function udi(told: Told): Resource {
  const identifier = told.text('device', 'identifier');
  const raw = told.raw('device', 'raw_label');
  // What is no identification of a standard stands as it was read.
  const readable = clean(carrierOf(told).readable) || told.text('device', 'raw_label');
  const carrier: Resource = {};
  if (identifier !== '') {
    carrier.deviceIdentifier = identifier;
    if (GTIN.test(identifier)) carrier.issuer = GS1;
    else if (isHibc(identifier)) carrier.issuer = HIBC;
  }
  // A line with brackets was typed from below the code: no bytes were read.
  const isScanned = raw !== '' && !raw.startsWith('(');
  if (isScanned) carrier.carrierAIDC = writeBase64(raw);
  if (readable !== '') carrier.carrierHRF = readable;
  if (Object.keys(carrier).length === 0) return {};
  carrier.entryType = isScanned ? 'barcode' : 'manual';
  return { udiCarrier: [carrier] };
}

function carrierOf(told: Told): Carrier {
  return findCarrier(told.parts('device'), told.text('device', 'identifier'));
}

function label(told: Told): Resource {
  const on = writeInstant(told.atMs).slice(0, 10);
  const found: [string, string][] = [
    // The century is that of the day on which the label was entered.
    ['manufactureDate', on === '' ? '' : findMakingDay(carrierOf(told), on)],
    ['expirationDate', told.day('device', 'expires_on')],
    ['lotNumber', told.text('device', 'lot')],
    ['serialNumber', told.text('device', 'serial')],
  ];
  return Object.fromEntries(found.filter(([, text]) => text !== ''));
}

function lotNote(told: Told): string[] {
  return told.parts('device').lot_unknown === true ? ['The lot is not known.'] : [];
}

function properties(told: Told): Resource {
  const found: Resource[] = [];
  for (const [part, words] of COIL) {
    const size = told.whole('coil', part);
    if (size !== null) found.push({ type: { text: words }, valueQuantity: [amount(size, 'mm')] });
  }
  const mix = told.whole('amount', 'mix_ul');
  if (mix !== null) {
    found.push({ type: { text: 'mix injected' }, valueQuantity: [amount(mix, 'mL')] });
  }
  const agent = told.text('amount', 'agent');
  if (agent !== '') {
    found.push(worded('agent', concept('adhesive_injected.amount.agent', agent)));
  }
  const adhesive = told.whole('amount', 'parts_adhesive');
  const oil = told.whole('amount', 'parts_oil');
  if (adhesive !== null && oil !== null) {
    found.push(worded('parts of adhesive to parts of oil', { text: `${adhesive} : ${oil}` }));
  }
  return found.length > 0 ? { property: found } : {};
}

function worded(words: string, value: object): Resource {
  return { type: { text: words }, valueCode: [value] };
}
