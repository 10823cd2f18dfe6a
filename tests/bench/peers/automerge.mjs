/** An Automerge client. */
import * as Automerge from '@automerge/automerge';
import { Documents, freshStates } from './automerge-documents.mjs';
import { contentOf, idOf, serveLines, WHO } from './lines.mjs';

const documents = new Documents();
let place;

/** Strings as one value each: by default every character would be an entry of its own. */
function scalars(content) {
  if (typeof content === 'string') return new Automerge.ImmutableString(content);
  if (content === null || typeof content !== 'object') return content;
  return Object.fromEntries(Object.entries(content).map(([key, one]) => [key, scalars(one)]));
}

const recordOf = (number) => documents.of(number).records[idOf(number)];

await serveLines({
  start({ address, name }) {
    place = `${address}/sync?peer=${name}`;
  },
  fill({ first, count }) {
    for (let number = first; number < first + count; number++) {
      documents.change(number, (draft) => {
        draft.records[idOf(number)] = scalars({ ...contentOf(number), ...WHO });
      });
    }
  },
  edit({ first, count, outcome }) {
    for (let number = first; number < first + count; number++) {
      documents.change(number, (draft) => {
        draft.records[idOf(number)].outcome = scalars(outcome);
      });
    }
  },
  async sync() {
    const states = freshStates();
    for (let turn = 0; ; turn++) {
      const body = documents.generate(states);
      if (body.length === 0) break;
      const response = await fetch(`${place}&turn=${turn}`, { method: 'POST', body });
      const answer = new Uint8Array(await response.arrayBuffer());
      if (answer.length === 0) break;
      documents.receive(states, answer);
    }
  },
  count: () => ({
    count: documents.held.reduce((sum, doc) => sum + Object.keys(doc.records).length, 0),
  }),
  pairs({ first, count }) {
    let hidden = 0;
    let lost = 0;
    for (let number = first; number < first + count; number++) {
      const record = recordOf(number);
      if (!Array.isArray(record.outcome)) hidden++;
      const told = Automerge.getConflicts(record, 'outcome') ?? {};
      if (Object.keys(told).length < 2) lost++;
    }
    return { hidden, lost };
  },
  size: () => ({
    bytes: documents.held.reduce((sum, doc) => sum + Automerge.save(doc).length, 0),
  }),
});
