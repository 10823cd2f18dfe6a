/** Sentences for a case that is saved as a file of an open standard. */
import { say, withMore, words } from './say';

export const caseFile = withMore(words('caseFile'), {
  failed: (why: string) => say('caseFile.failed', { why }),
});

/** Return the name of a saved case; it tells case and day, no patient. */
export function nameOfCaseFile(caseRecord: string, today: string): string {
  return `crura-${caseRecord.replace('/', '-')}-${today}.fhir.json`;
}
