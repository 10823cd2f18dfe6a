/** Every sentence of the failsafe list: who was treated and has no visit to come (FU-12). */
import { lookUp, say, withMore, words } from './say';

const said = words('failsafe');

export const failsafe = withMore(said, {
  why: lookUp(said.why),
  preparedBy: (name: string, day: string) => say('failsafe.preparedBy', { name, day }),
  counts: (treated: number, listed: number) => say('failsafe.counts', { treated, listed }),
  signNote: (name: string) => say('failsafe.signNote', { name }),
  sign: (name: string) => say('failsafe.sign', { name }),
  signed: (name: string) => say('failsafe.signed', { name }),
  lastSigned: (last: { day: string; count: number; first: string; second: string }) =>
    say('failsafe.lastSigned', { ...last }),
  paperSaved: (file: string) => say('failsafe.paperSaved', { file }),
});
