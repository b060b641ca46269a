"""Which attributes of a DICOM file can say who the patient is."""

from __future__ import annotations

import hashlib

from xraymeasure.film.dicom.attributes import Attributes

# Attributes that name, number or describe a person, or who and where they were seen: those of
# PS3.15 table E.1-1 (basic profile) that a radiograph can carry at its top level.
IDENTITY = (
    "PatientName", "PatientID", "IssuerOfPatientID", "PatientBirthDate", "PatientBirthTime",
    "PatientBirthName", "PatientMotherBirthName", "PatientAddress", "PatientTelephoneNumbers",
    "OtherPatientIDs", "OtherPatientIDsSequence", "OtherPatientNames", "MedicalRecordLocator",
    "MilitaryRank", "BranchOfService", "RegionOfResidence", "CountryOfResidence", "EthnicGroup",
    "PatientReligiousPreference", "Occupation", "PatientComments", "AdditionalPatientHistory",
    "ResponsiblePerson", "ResponsibleOrganization", "PatientInsurancePlanCodeSequence",
    "AdmissionID", "IssuerOfAdmissionID", "ServiceEpisodeID", "CurrentPatientLocation",
    "PatientInstitutionResidence", "AccessionNumber", "StudyID", "ReferringPhysicianName",
    "ReferringPhysicianAddress", "ReferringPhysicianTelephoneNumbers",
    "ConsultingPhysicianName", "PhysiciansOfRecord", "PerformingPhysicianName",
    "NameOfPhysiciansReadingStudy", "RequestingPhysician", "RequestingService", "OperatorsName",
    "ScheduledPerformingPhysicianName", "InstitutionName", "InstitutionAddress",
    "InstitutionalDepartmentName", "StationName", "DeviceSerialNumber", "PlateID", "DetectorID",
    "CassetteID", "GantryID", "PerformedStationName", "PerformedStationAETitle",
    "PerformedProcedureStepID", "PerformedProcedureStepDescription",
    "RequestAttributesSequence", "RequestedProcedureID", "RequestedProcedureDescription",
    "ReasonForStudy", "StudyComments", "ImageComments", "ProtocolName", "TextComments",
    "VerifyingObserverName", "PersonName", "ContentCreatorName",
)  # fmt: skip


def identity_of(attributes: Attributes) -> tuple[str, ...]:
    """Return the keywords of the attributes that hold identity, never their values.

    None where the file says that Patient Identity Removed (0012,0062) is YES.
    """
    if attributes.text("PatientIdentityRemoved") == "YES":
        return ()
    return tuple(
        keyword
        for keyword in IDENTITY
        if any(str(value).strip() for value in attributes.values(keyword))
    )


def person_of(attributes: Attributes) -> str | None:
    """Return a digest of who the film says it is of, None where it does not say."""
    number = attributes.text("PatientID")
    if not number:
        return None
    issuer = attributes.text("IssuerOfPatientID") or ""
    return hashlib.sha256(f"{issuer}\0{number}".encode()).hexdigest()
