/**
 * Which keys of the request a visit rests on: those of its anchor and condition (FU16). Twin of
 * `follow_up_inputs.py`.
 */
const LOOKS = ['happened.doppler_flow', 'happened.obliterated'];
const OF_ANCHOR: Readonly<Record<string, readonly string[]>> = {
  procedure: ['index_on'],
  treatment: ['index_on', 'happened.retreated'],
  last_look: ['index_on', ...LOOKS, 'happened.retreated'],
  unseen_look: ['index_on', ...LOOKS, 'happened.not_seen', 'happened.retreated'],
  obliteration: ['index_on', ...LOOKS, 'happened.retreated'],
  last_contact: ['index_on', 'happened'],
};
const OF_CONDITION: Readonly<Record<string, readonly string[]>> = {
  acute_bleed: ['acute_bleed'],
  early_look: ['acute_bleed', 'conditions.adhesive_ul', 'conditions.coils', ...LOOKS],
  flow_persists: LOOKS,
  not_seen: [...LOOKS, 'happened.not_seen'],
  retreated: ['happened.retreated'],
  obliterated: LOOKS,
  obliterated_or_retreated: [...LOOKS, 'happened.retreated'],
  oesophageal_banded: ['conditions.oesophageal_banded'],
  liver_ultrasound: [
    'conditions.cirrhosis',
    'conditions.child_class',
    'conditions.transplant_listed',
  ],
  on_beta_blocker: ['conditions.on_beta_blocker'],
  nothing_else: ['happened'],
};
const ORDER = [
  'index_on',
  'acute_bleed',
  'conditions.cirrhosis',
  'conditions.child_class',
  'conditions.transplant_listed',
  'conditions.on_beta_blocker',
  'conditions.oesophageal_banded',
  'conditions.adhesive_ul',
  'conditions.coils',
  ...LOOKS,
  'happened.not_seen',
  'happened.retreated',
  'happened',
];

interface Given {
  readonly conditions?: object | undefined;
  readonly happened?: readonly object[] | undefined;
}

/**
 * Return the keys given that decide on a visit and its date, in a fixed order.
 *
 * @param anchor - as the plan names it, and so `condition`
 * @param read - the request as read; what is not in it is not named
 * @param isRepeated - whether the visit counts from its last turn instead of its anchor (FU6)
 */
export function nameInputs(
  anchor: string,
  condition: string,
  read: Given,
  isRepeated: boolean,
): string[] {
  const ofCondition = OF_CONDITION[condition] ?? [];
  const used = [...(isRepeated ? ['happened'] : (OF_ANCHOR[anchor] ?? [])), ...ofCondition];
  const given = nameGiven(read);
  return ORDER.filter((key) => used.includes(key) && given.has(key));
}

function nameGiven({ conditions = {}, happened = [] }: Given): Set<string> {
  return new Set([
    'index_on',
    'acute_bleed',
    ...Object.keys(conditions).map((key) => `conditions.${key}`),
    ...happened.flatMap((one) => Object.keys(one)).map((key) => `happened.${key}`),
    ...(happened.length > 0 ? ['happened'] : []),
  ]);
}
