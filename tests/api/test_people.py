"""People and memberships: a manager of their own dealer, and no step further."""

from fleet.models import AccessToken, Membership, Role, User
from tests.api.conftest import V1, refused, taken

NEW = {"username": "neu", "password": "a-very-long-secret-7", "email": "neu@people.example"}


def test_a_manager_enters_a_technician_who_signs_in(manager, nobody, world):
    answer = manager.post(f"{V1}users/", NEW)
    assert answer.status_code == 201
    assert "password" not in answer.json()
    user = User.objects.get(username="neu")
    assert user.is_staff
    assert not user.is_superuser
    assert [(m.dealer.code, m.role) for m in user.memberships.all()] == [("NORTH", "technician")]
    signed = nobody.post(f"{V1}tokens/", {"username": "neu", "password": NEW["password"]})
    assert signed.status_code == 201
    shown = {row["username"] for row in manager.get(f"{V1}users/").json()["results"]}
    assert shown == {"techA", "managerA", "neu"}
    taken(manager.post(f"{V1}users/", NEW))


def test_weak_passwords_are_refused(manager, world):
    for weak in ("short", "password1234", "1234567890123", "neu@people.example", ""):
        refused(manager.post(f"{V1}users/", NEW | {"password": weak}), 422, "/password")
    assert not User.objects.filter(username="neu").exists()


def test_nobody_makes_themselves_more_than_they_are(manager, world):
    for extra in ({"is_superuser": True}, {"is_staff": True}, {"groups": [1]}):
        refused(manager.post(f"{V1}users/", NEW | extra), 422, f"/{next(iter(extra))}")
    refused(manager.post(f"{V1}users/", NEW | {"role": "administrator"}), 422, "/role")
    refused(manager.post(f"{V1}users/", NEW | {"dealer": "SOUTH"}), 422, "/dealer")
    me = world.users["managerA"].pk
    for role in ("administrator", "warranty_reviewer"):
        refused(manager.post(f"{V1}memberships/", {"user": me, "role": role}), 403)
        mine = world.users["managerA"].memberships.get()
        refused(manager.patch(f"{V1}memberships/{mine.pk}/", {"role": role}), 422, "/dealer")
    assert world.users["managerA"].memberships.get().role == Role.SERVICE_MANAGER


def test_a_manager_leaves_those_alone_who_work_elsewhere_too(manager, admin, world):
    tech = world.users["techA"]
    path = f"{V1}users/{tech.pk}/"
    assert manager.patch(path, {"first_name": "Kim"}).json()["first_name"] == "Kim"
    Membership.objects.create(user=tech, dealer=world.dealers["B"], role=Role.TECHNICIAN)
    refused(manager.patch(path, {"password": NEW["password"]}), 403)
    Membership.objects.filter(user=tech, dealer=world.dealers["B"]).delete()
    Membership.objects.create(user=tech, role=Role.ADMINISTRATOR)
    refused(manager.patch(path, {"email": "mine@people.example"}), 403)
    assert admin.patch(path, {"email": "its@people.example"}).status_code == 200
    Membership.objects.filter(user=tech, role=Role.ADMINISTRATOR).delete()
    User.objects.filter(pk=tech.pk).update(is_superuser=True)
    refused(manager.patch(path, {"is_active": False}), 403)


def test_a_new_password_ends_the_tokens(manager, tech, world):
    path = f"{V1}users/{world.users['techA'].pk}/"
    assert tech.get(f"{V1}sensors/").status_code == 200
    assert manager.patch(path, {"password": NEW["password"]}).status_code == 200
    refused(tech.get(f"{V1}sensors/"), 401)
    world.users["techA"].refresh_from_db()
    assert world.users["techA"].check_password(NEW["password"])


def test_somebody_who_is_switched_off_loses_the_tokens(manager, tech, world):
    path = f"{V1}users/{world.users['techA'].pk}/"
    assert manager.patch(path, {"is_active": False}).status_code == 200
    assert not AccessToken.objects.filter(user=world.users["techA"]).exists()


def test_memberships(manager, admin, world):
    path = f"{V1}memberships/"
    user = world.users["techA"]
    made = manager.post(path, {"user": "techA", "dealer_code": "NORTH", "role": "service_manager"})
    assert made.status_code == 201
    assert made.json()["user"] == user.pk
    assert made.json()["user_username"] == "techA"
    taken(manager.post(path, {"user": "techA", "dealer": "NORTH", "role": "technician"}))
    refused(manager.post(path, {"user": "techB", "dealer": "NORTH", "role": "technician"}), 422,
            "/user")  # fmt: skip
    refused(manager.post(path, {"user": "techA", "dealer": "SOUTH", "role": "technician"}), 422,
            "/dealer")  # fmt: skip
    refused(manager.post(path, {"user": "techA", "role": "technician"}), 422, "/dealer")
    refused(admin.post(path, {"user": "techA", "dealer": "NORTH", "role": "administrator"}), 422,
            "/dealer")  # fmt: skip
    one = f"{path}{made.json()['id']}/"
    refused(manager.patch(one, {"user": "managerA"}), 422, "/user")
    assert manager.delete(one).status_code == 204
    refused(manager.delete(one), 404)
    assert admin.post(path, {"user": "techA", "role": "warranty_reviewer"}).status_code == 201


def test_people_are_found_once(admin, world):
    Membership.objects.create(
        user=world.users["techA"], dealer=world.dealers["A"], role=Role.SERVICE_MANAGER
    )
    found = admin.get(f"{V1}users/?dealer=NORTH").json()["results"]
    assert sorted(row["username"] for row in found) == ["managerA", "techA"]
    assert len(admin.get(f"{V1}users/?active=true").json()["results"]) == 6
