/** What differs between the question of a saved plan and the question of now. Pure. */
import type { Json } from '../ports';
import type { PlanLack, Request } from './plan';

/** Part of a question that holds numbers or answers of its own. */
export type QuestionPart = 'target' | 'needle' | 'coil' | 'adhesive' | 'case';

/** One thing that is no longer as it was; `text/plan-changes.ts` says it. */
export type PlanChange =
  /** Two answers wait in a field, named as the question names it. */
  | { kind: 'conflict'; field: string }
  /** An input was taken back. */
  | { kind: 'lack'; lack: PlanLack; label: string }
  /** Another answer; undefined where there was none, or is none now. */
  | { kind: 'other'; part: QuestionPart; name: string; key: string; was?: Json; is?: Json };

type Held = { part: QuestionPart; name: string; key: string; value: Json };

/** Return what differs between two questions, one change a number or answer. */
export function listChanges(before: Request, now: Request): PlanChange[] {
  const [was, is] = [flatten(before), flatten(now)];
  return [...new Set([...was.keys(), ...is.keys()])].flatMap((id): PlanChange[] => {
    const [old, fresh] = [was.get(id), is.get(id)];
    const one = old ?? fresh;
    if (one === undefined || old?.value === fresh?.value) return [];
    const { part, name, key } = one;
    return [
      {
        ...{ kind: 'other', part, name, key },
        ...(old && { was: old.value }),
        ...(fresh && { is: fresh.value }),
      },
    ];
  });
}

function flatten(request: Request): Map<string, Held> {
  const flat = new Map<string, Held>();
  const put = (part: QuestionPart, name: string, key: string, value: Json) =>
    flat.set(`${part}/${name}/${key}`, { part, name, key, value });
  const putAll = (part: QuestionPart, name: string, content: Json | undefined) => {
    if (typeof content !== 'object' || content === null || Array.isArray(content)) return;
    for (const [key, value] of Object.entries(content)) put(part, name, key, value as Json);
  };
  for (const { label, ...rest } of listIn(request.targets)) putAll('target', String(label), rest);
  putAll('needle', '', request.needle);
  for (const { id, ...rest } of listIn(request.coils_in_stock)) {
    putAll('coil', String(id).replace(/^stock_item\//, ''), rest);
  }
  if (request.adhesive === null) put('adhesive', '', '', 'none');
  else putAll('adhesive', '', request.adhesive);
  for (const field of ['shunt', 'right_to_left_shunt']) {
    if (request[field] !== undefined) put('case', '', field, request[field]);
  }
  return flat;
}

function listIn(content: Json | undefined): { [part: string]: Json }[] {
  return Array.isArray(content) ? (content as { [part: string]: Json }[]) : [];
}
