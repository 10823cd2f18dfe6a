/** Sentences for files that carry operations to a place without a network (HAZ-36, HAZ-37). */
import type { TakenIn } from '../ports';

const entries = (count: number) => (count === 1 ? '1 entry' : `${count} entries`);

export const transfer = {
  title: 'Transfer by file',
  note: 'For when there is no network. The file holds records of patients: keep it where those may be kept, and delete it once it has been taken in.',
  saveUnsent: 'Save to file: what the unit does not hold',
  saveAll: 'Save to file: everything here',
  open: 'Open file',
  busy: 'One moment.',
  nothing: 'There is nothing to save: the unit holds every entry made here.',
  saved: (count: number) => `${entries(count)} were put in the file. Take it to the unit.`,
  notOpened: (why: string) => `Nothing was taken in. ${why}`,
  failed: (why: string) => `The file was not made. ${why}`,
  takenIn({ taken, known, waiting, left, setAside }: TakenIn): string[] {
    const lines = [`New: ${taken}. Known already: ${known}.`];
    if (waiting > 0) {
      lines.push(
        `${entries(waiting)} of this device wait for earlier ones. Exchange with the unit, then open the file again.`,
      );
    }
    if (left > 0)
      lines.push(
        `${entries(left)} were left out: not for this device, or written by the unit itself. Those come with the next exchange.`,
      );
    if (setAside > 0) {
      lines.push(
        `${entries(setAside)} were set aside: changed, or of a copied tablet. Tell the data manager.`,
      );
    }
    return lines;
  },
};

/** Return the name of a saved file; it tells device and day, no patient. */
export function nameOfFile(device: string, today: string): string {
  return `crura-${device}-${today}.crura`;
}

/** Cases that were dropped here (they are at the unit). */
export const keptAtUnit = {
  title: 'Cases kept at the unit alone',
  note: 'Closed more than 30 days ago and no visit open. Nothing of them is lost; each comes back whole.',
  noName: 'Patient not shown here',
  bringBack: 'Bring back',
  bringBackOf: (name: string) => `Bring back the case of ${name}`,
  noNetwork: 'The unit cannot be reached. The case comes back when it can.',
};
