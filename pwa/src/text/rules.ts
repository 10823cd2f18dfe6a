/** Sentences about the unit's rule files and about training. */
export const training = 'Training: no real patients here. Rule files need no approval.';

export const ruleFiles = {
  title: 'Rule files of this unit',
  training:
    'This unit is in training: every file below computes. Once live, only those in force do.',
  live: 'This unit is live: only files in force compute.',
  version: (version: number) => `version ${version}`,
  approvedBy: (names: readonly string[]) =>
    names.length === 0 ? '' : `Approved by ${names.join(', ')}.`,
};
