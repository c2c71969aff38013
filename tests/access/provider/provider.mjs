// An OpenID provider on loopback for the tests of single sign-on. It reads what it is to be from standard
// input as JSON ({port, issuer, clients, accounts, conformIdTokenClaims}); its people take any password. Its
// key is made anew at each start, so that a second start is a change of keys.
import { generateKeyPairSync, randomUUID } from 'node:crypto';
import { readFileSync } from 'node:fs';
import Provider from 'oidc-provider';

const { port, issuer, clients, accounts, conformIdTokenClaims } = JSON.parse(readFileSync(0, 'utf8'));
const { privateKey } = generateKeyPairSync('rsa', { modulusLength: 2048 });
const key = { ...privateKey.export({ format: 'jwk' }), kid: randomUUID(), use: 'sig', alg: 'RS256' };

const provider = new Provider(issuer, {
  clients,
  conformIdTokenClaims,
  jwks: { keys: [key] },
  cookies: { keys: [randomUUID()] },
  claims: { openid: ['sub', 'sid'], profile: ['name'], groups: ['groups'] },
  scopes: ['openid', 'profile', 'groups'],
  features: { devInteractions: { enabled: true }, backchannelLogout: { enabled: true } },
  findAccount: (_, sub) => accounts[sub] && { accountId: sub, claims: () => ({ sub, ...accounts[sub] }) },
  pkce: { required: () => true },
  // The logout of the tests goes to the service on this machine.
  fetch: (url, options) => globalThis.fetch(url, { ...options, dispatcher: undefined }),
});
for (const event of ['backchannel.error', 'server_error', 'grant.error', 'authorization.error', 'end_session.error']) {
  provider.on(event, (...what) => console.error(event, ...what.filter((each) => each instanceof Error)));
}
provider.listen(port, '127.0.0.1', () => console.log('ready'));
