/**
 * Laboratory values and sizes of a case as FHIR R4B Observation. Pure.
 *
 * Twin of `api/documents/fhir_observations.py`. The LOINC code follows the unit as entered: mass
 * and molar concentrations have different codes. A pair not in the table keeps its text.
 */
import {
  absent,
  amount,
  bareAmount,
  type Concept,
  concept,
  notes,
  type Resource,
  refer,
  type Told,
} from './fhir-parts';
import { opaqueId } from './opaque-id';

export const OBSERVATION_KINDS: readonly string[] = ['lab_result', 'target'];
const LOINC = 'http://loinc.org';
/**
 * Analyte and unit as entered, to the LOINC code and the UCUM code. Published by LOINC; each code
 * proves itself by its check digit.
 */
const LOINC_CODES: ReadonlyMap<string, readonly [string, string]> = new Map([
  ['bilirubin mg/dL', ['1975-2', 'mg/dL']],
  ['bilirubin umol/L', ['14631-6', 'umol/L']],
  ['albumin g/dL', ['1751-7', 'g/dL']],
  ['albumin g/L', ['1751-7', 'g/L']],
  ['creatinine mg/dL', ['2160-0', 'mg/dL']],
  ['creatinine umol/L', ['14682-9', 'umol/L']],
  ['inr ratio', ['6301-6', '{INR}']],
  ['sodium mmol/L', ['2951-2', 'mmol/L']],
  ['platelets 10*9/L', ['777-3', '10*9/L']],
  ['haemoglobin g/L', ['718-7', 'g/L']],
  ['haemoglobin g/dL', ['718-7', 'g/dL']],
  ['urea mg/dL', ['3094-0', 'mg/dL']],
  ['urea mmol/L', ['22664-7', 'mmol/L']],
]);
const AXES = [
  ['short_axis_um', 'short axis'],
  ['long_axis_um', 'long axis'],
  ['third_axis_um', 'third axis'],
] as const;
const SAID: Readonly<Record<string, string>> = {
  lab_result: 'laboratory result',
  target: 'size of a varix',
};

/**
 * Return a lab value or a size as Observation; null for a target of which no size stands.
 *
 * @param patient - record of the patient, "" where none is shown
 */
export function writeObservation(told: Told, patient: string): Resource | null {
  const subject = patient === '' ? {} : { subject: refer(patient) };
  const base = { resourceType: 'Observation', id: opaqueId(told.record) };
  if (told.isStruck) {
    return { ...base, status: 'entered-in-error', code: { text: SAID[told.kind] }, ...subject };
  }
  if (told.kind === 'lab_result') return { ...base, status: 'final', ...lab(told, subject) };
  if (Object.keys(told.parts('size')).length === 0 && !told.hasDoubt('size')) return null;
  return { ...base, status: 'final', ...size(told, subject) };
}

function lab(told: Told, subject: Resource): Resource {
  const analyte = told.text('analyte');
  const unit = told.text('result', 'unit');
  const value = told.whole('result', 'value_milli');
  const known = LOINC_CODES.get(`${analyte} ${unit}`);
  let code: Concept | Resource = { text: SAID.lab_result };
  if (analyte !== '') {
    const plain = concept('lab_result.analyte', analyte);
    const coding = known === undefined ? [] : [{ system: LOINC, code: known[0] }];
    code = { coding: [...coding, ...plain.coding], text: plain.text };
  }
  const taken = told.day('result', 'taken_on');
  const quantity = () =>
    known === undefined ? bareAmount(value ?? 0, unit) : amount(value ?? 0, known[1]);
  return {
    code,
    ...subject,
    ...(taken === '' ? {} : { effectiveDateTime: taken }),
    ...(value === null ? { dataAbsentReason: absent() } : { valueQuantity: quantity() }),
    ...notes(told.doubts(['case', 'analyte', 'result'])),
    ...method('lab_result.result.origin', told.text('result', 'origin')),
  };
}

function size(told: Told, subject: Resource): Resource {
  const axes: Resource[] = [];
  for (const [part, text] of AXES) {
    const um = told.whole('size', part);
    if (um === null) continue;
    const { coding } = concept('target.size', part);
    axes.push({ code: { coding, text }, valueQuantity: amount(um, 'mm') });
  }
  const label = told.text('label');
  const origin = told.text('size', 'origin').replaceAll('-', ' ');
  return {
    code: { coding: concept('target', 'size').coding, text: SAID.target },
    ...subject,
    ...(axes.length > 0 ? {} : { dataAbsentReason: absent() }),
    ...notes([
      origin === '' ? '' : `Origin of the size: ${origin}.`,
      ...told.doubts(['case', 'label', 'size']),
    ]),
    ...(label === '' ? {} : { bodySite: { text: label } }),
    ...method('target.size.modality', told.text('size', 'modality')),
    ...(axes.length > 0 ? { component: axes } : {}),
  };
}

function method(field: string, word: string): Resource {
  return word === '' ? {} : { method: concept(field, word) };
}
